"""Faults under load: invented work told to a whole deployment, and what the record holds of it."""
