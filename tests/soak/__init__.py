"""Long runs, never part of the tests: see DEVELOPERS.md."""
