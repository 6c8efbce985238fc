"""A site calibration: the output of one X-ray set as somebody measured it, until when it holds."""

from datetime import date
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Name, Positive, Text


class MeasuredOutput(Contract):
    """Air kerma per mAs at one tube potential, free in air and without backscatter."""

    tube_kv: Annotated[float, Field(ge=20.0, le=150.0)]
    output_ugy_per_mas: Positive
    """In µGy per mAs of the set's own indication, at the calibration's distance."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"tube_kv": 60.0, "output_ugy_per_mas": 30.0},
    )


class LinearityCheck(Contract):
    """The output at one setting of mAs; all checks of a calibration are at one tube potential."""

    exposure_mas: Positive
    output_ugy_per_mas: Positive

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"exposure_mas": 0.7, "output_ugy_per_mas": 29.4},
    )


class TubeCalibration(Contract):
    """What was measured at a set: when, with what, how sure, and until when the site uses it.

    ``relative_standard_uncertainty`` (k = 1) is that of the measured output: the instrument's
    calibration and the measuring together, as its report states. ``valid_until`` is the site's
    rule; the calibration counts on that day still.
    """

    name: Name
    measured_on: date
    valid_until: date
    instrument: Text
    reference_distance_mm: Positive
    """Distance from focus at which the output was measured."""
    relative_standard_uncertainty: Annotated[float, Field(gt=0.0, le=0.5)]
    outputs: Annotated[tuple[MeasuredOutput, ...], Field(min_length=1, max_length=50)]
    linearity: Annotated[tuple[LinearityCheck, ...], Field(max_length=50)] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "yearly-2026",
            "measured_on": "2026-01-12",
            "valid_until": "2027-01-31",
            "instrument": "invented meter 7, calibrated 2025-06",
            "reference_distance_mm": 200.0,
            "relative_standard_uncertainty": 0.04,
            "outputs": [
                {"tube_kv": 60.0, "output_ugy_per_mas": 750.0},
                {"tube_kv": 70.0, "output_ugy_per_mas": 1040.0},
            ],
            "linearity": [
                {"exposure_mas": 0.35, "output_ugy_per_mas": 735.0},
                {"exposure_mas": 1.4, "output_ugy_per_mas": 752.0},
            ],
        },
    )

    @model_validator(mode="after")
    def _is_in_order(self) -> Self:
        if self.valid_until < self.measured_on:
            raise ValueError("expected valid_until on or after measured_on")
        if len({one.tube_kv for one in self.outputs}) != len(self.outputs):
            raise ValueError("expected each tube_kv of outputs once")
        if len({one.exposure_mas for one in self.linearity}) != len(self.linearity):
            raise ValueError("expected each exposure_mas of linearity once")
        return self
