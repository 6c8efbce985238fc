"""What every service stands on: bus, store, outbox and inbox, worker loop, settings, logs, metrics."""
