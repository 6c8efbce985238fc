"""The notes desk over real sockets; its suites share one desk."""
