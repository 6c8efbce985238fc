"""Adapters to patient records, each behind the port; chosen by name (``choose.py``)."""
