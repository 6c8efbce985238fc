"""Operations: backup, going back, retention, replay, alerts, units."""
