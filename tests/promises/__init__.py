"""The promises of the project, the test that fails where one is broken, and proof that it fails."""
