"""Tariffs as data: what a diagnostic view and a sensor cover cost at a site."""

from schemas.tariffs.load import load_tariffs, read_tariff
from schemas.tariffs.model import Price, Tariff, ViewPrices

__all__ = ["Price", "Tariff", "ViewPrices", "load_tariffs", "read_tariff"]
