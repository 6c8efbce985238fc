"""Seeded room-days with known truth, over many conditions. All of it is our own invention.

``python -m tests.simulated_rooms`` prints how well linking does, beside two baselines.
"""
