"""Private servers for the tests: on free loopback ports, in a folder that goes afterwards."""
