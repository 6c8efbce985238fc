"""The schema of the store, one revision a file. Each service's tables come with its own."""
