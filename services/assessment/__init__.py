"""Links, series, dose: what we conclude from the facts of a room-day."""
