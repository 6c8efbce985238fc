"""The only way in: devices, records and people tell facts here."""
