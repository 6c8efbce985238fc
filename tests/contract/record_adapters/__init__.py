"""The adapters to a patient record, each by the contract suite and by what is its own."""
