"""What assessment concludes about dose: values, their basis, and the group's own levels."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from schemas.base import Contract, NotNegative, Positive, Text
from schemas.conclusions.basis import FactKey


class DoseBasis(StrEnum):
    """Where a dose figure comes from, best first."""

    DEVICE = "device"
    CALIBRATION = "calibration"
    MODEL = "model"
    UNKNOWN = "unknown"


class DoseVerdict(StrEnum):
    """The study's dose against the group's own levels."""

    WITHIN = "within"
    NOTIFY = "notify"
    ALERT = "alert"
    UNKNOWN = "unknown"


class DoseComparison(Contract):
    """One quantity against the group's own two levels, all in the unit that its name tells.

    ``upper_value`` is the end of the value's interval (k = 2), ``possible_verdict`` the verdict
    there. ``exposure_key`` is ``None`` for the whole study.
    """

    quantity: Literal["kerma_mgy", "kap_mgycm2"]
    exposure_key: FactKey | None = None
    value: NotNegative | None
    upper_value: NotNegative | None
    notify: Positive
    alert: Positive
    verdict: DoseVerdict
    possible_verdict: DoseVerdict

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "quantity": "kerma_mgy",
            "value": 1.6,
            "upper_value": 7.5,
            "notify": 40.0,
            "alert": 80.0,
            "verdict": "within",
            "possible_verdict": "within",
        },
    )


class DoseResult(Contract):
    """Sums over a study's exposures. Kerma sums over different fields: an indicator only.

    ``unknown_exposures`` counts those without a figure; they are in no sum. ``comparisons`` are
    the study's, and those of single exposures that are not within. Comparators are human dental
    values, never animal limits.
    """

    exposures: Annotated[int, Field(ge=0)]
    unknown_exposures: Annotated[int, Field(ge=0)]
    kerma_mgy: NotNegative
    kap_mgycm2: NotNegative
    kerma_repeats_mgy: NotNegative = 0.0
    kerma_ended_early_mgy: NotNegative = 0.0
    relative_uncertainty: NotNegative | None = None
    basis: tuple[DoseBasis, ...] = ()
    verdict: DoseVerdict
    words: Text
    comparisons: tuple[DoseComparison, ...] = ()
    comparators: tuple[Text, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exposures": 1,
            "unknown_exposures": 0,
            "kerma_mgy": 1.6,
            "kap_mgycm2": 45.0,
            "relative_uncertainty": 0.5,
            "basis": ["model"],
            "verdict": "within",
            "words": "Below the notify level of the invented default limits: 1.6 of 40 mGy.",
            "comparisons": [DoseComparison.EXAMPLES[0]],
        },
    )
