"""Keeping the system over years: backup and restore, retention, going back, alerts, units."""
