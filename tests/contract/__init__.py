"""Contracts that every implementation of a port keeps."""
