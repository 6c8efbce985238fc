"""Published values that image quality is held against, as data with their sources."""

from schemas.quality.load import load_deviation_bands, load_reject_targets
from schemas.quality.model import (
    DeviationBand,
    DeviationBands,
    RejectTarget,
    RejectTargets,
    ValueBasis,
)

__all__ = [
    "DeviationBand",
    "DeviationBands",
    "RejectTarget",
    "RejectTargets",
    "ValueBasis",
    "load_deviation_bands",
    "load_reject_targets",
]
