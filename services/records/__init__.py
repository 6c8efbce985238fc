"""The port to a patient record, and its adapters."""
