"""A site's calibrations of a tube: which one holds on a day, and what it says of one exposure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Final

from schemas.tube_calibration import TubeCalibration
from services.assessment.kerma_uncertainty import (
    EXPIRED_RELATIVE_STANDARD_UNCERTAINTY,
    REPRODUCIBILITY_RELATIVE_STANDARD_UNCERTAINTY,
    combined,
)
from services.assessment.tube_output import OutputCurve

KV_MARGIN: Final = 2.0
"""How far beyond its outermost points a calibration is read, in kV: a set's own indication may
miss its nominal value by as much. Our own choice; further out the model takes over."""

KV_EXPONENT_UNCERTAINTY: Final = 1.0
"""Of the power of kV beyond the outermost points: our own choice, half of the 2 assumed."""

LINEARITY_LIMIT: Final = 0.10
"""The largest coefficient of linearity allowed to a set: |X1 - X2| ≤ 0.10 (X1 + X2)
(21 CFR 1020.31(c), from memory)."""


@dataclass(frozen=True, slots=True)
class CalibrationUse:
    """A calibration as it was used. ``expired``: its last day was before the exposure's."""

    calibration: TubeCalibration
    expired: bool


def calibration_on(
    calibrations: Sequence[TubeCalibration], day: date | None
) -> CalibrationUse | None:
    """Find the calibration that was the newest on a day; one measured later says nothing of it.

    Without a day the newest counts, and whether it has expired is not judged.
    """
    measured = [c for c in calibrations if day is None or c.measured_on <= day]
    if not measured:
        return None
    newest = max(measured, key=lambda c: c.measured_on)
    return CalibrationUse(newest, expired=day is not None and day > newest.valid_until)


def calibrated_output_ugy_per_mas(calibration: TubeCalibration, *, tube_kv: float) -> float:
    """Read a calibration at ``tube_kv`` in µGy per mAs at its own distance: by a power law.

    Raises ``OutOfRange`` more than ``KV_MARGIN`` beyond its outermost points.
    """
    return laid_out(calibration).curve.read(tube_kv)


def calibrated_uncertainty(use: CalibrationUse, *, tube_kv: float) -> float:
    """Combine what makes one exposure's output at ``tube_kv`` uncertain (relative, k = 1)."""
    laid = laid_out(use.calibration)
    kv = min(max(tube_kv, laid.first_kv), laid.last_kv)
    beyond = KV_EXPONENT_UNCERTAINTY * abs(math.log(tube_kv / kv))
    return combined(
        laid.fixed_uncertainty,
        EXPIRED_RELATIVE_STANDARD_UNCERTAINTY if use.expired else 0.0,
        beyond,
    )


def linearity_coefficient(calibration: TubeCalibration) -> float:
    """Return the largest (X1 - X2)/(X1 + X2) of the checks; 0 where there are fewer than two."""
    outputs = [check.output_ugy_per_mas for check in calibration.linearity]
    if len(outputs) < 2:
        return 0.0
    return (max(outputs) - min(outputs)) / (max(outputs) + min(outputs))


def calibration_notes(use: CalibrationUse) -> list[str]:
    """Say what a reader should know of the calibration behind a figure."""
    calibration = use.calibration
    notes = []
    if use.expired:
        notes.append(
            f"The calibration '{calibration.name}' of {calibration.measured_on} was valid until "
            f"{calibration.valid_until}; it is used on with a wider uncertainty until a new one."
        )
    coefficient = linearity_coefficient(calibration)
    if coefficient > LINEARITY_LIMIT:
        notes.append(
            f"The calibration '{calibration.name}' found outputs per mAs that differ by a "
            f"coefficient of linearity of {coefficient:.2f}, above {LINEARITY_LIMIT:g}: have the "
            "set looked at by a licensed person."
        )
    return notes


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A calibration ready for reading."""

    curve: OutputCurve
    first_kv: float
    last_kv: float
    fixed_uncertainty: float
    """Without what depends on the exposure's kV and day."""


def laid_out(calibration: TubeCalibration) -> LaidOut:
    """Lay a calibration out for reading, once for each."""
    return _laid_out(SameCalibration(calibration))


class SameCalibration:
    """A calibration told apart by identity: comparing all its points would cost more."""

    __slots__ = ("calibration",)

    def __init__(self, calibration: TubeCalibration) -> None:
        self.calibration = calibration

    def __hash__(self) -> int:
        return id(self.calibration)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SameCalibration) and other.calibration is self.calibration


@lru_cache(maxsize=1024)
def _laid_out(same: SameCalibration) -> LaidOut:
    calibration = same.calibration
    points = [(one.tube_kv, one.output_ugy_per_mas) for one in calibration.outputs]
    # A rectangle over what the checks found (JCGM 100 section 4.3.7, from memory).
    uneven = linearity_coefficient(calibration) / math.sqrt(3.0)
    return LaidOut(
        curve=OutputCurve.of(points, KV_MARGIN),
        first_kv=min(kv for kv, _ in points),
        last_kv=max(kv for kv, _ in points),
        fixed_uncertainty=combined(
            calibration.relative_standard_uncertainty,
            REPRODUCIBILITY_RELATIVE_STANDARD_UNCERTAINTY,
            uneven,
        ),
    )
