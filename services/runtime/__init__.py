"""What every service stands on: bus, store, outbox, inbox, worker loop, settings, logs, metrics."""
