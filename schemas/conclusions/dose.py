"""What assessment concludes about dose: values, their basis, and the group's own levels."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from schemas.base import Contract, Name, NotNegative, Positive, Text, Uid
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


class CalibrationUsed(Contract):
    """The site calibration that a figure rests on; ``expired`` by the day of the exposure."""

    name: Name
    measured_on: date
    valid_until: date
    expired: bool

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "yearly-2026",
            "measured_on": "2026-01-12",
            "valid_until": "2027-01-31",
            "expired": False,
        },
    )


class DoseDoubt(Contract):
    """What does not fit in what was told of an exposure, as a question to a person.

    ``slips`` are the suspected slips, the likeliest first; none: no known slip explains it.
    Nothing is corrected by it.
    """

    code: Name
    slips: Annotated[tuple[Name, ...], Field(max_length=4)] = ()
    words: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "kerma-implausible",
            "slips": ["kerma-in-ugy"],
            "words": "The air kerma told is about 1000 times what the settings give: in µGy?",
        },
    )


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


Count = Annotated[int, Field(ge=0)]


class PlannedDose(Contract):
    """What the planned views would give by the site's technique chart, each taken once.

    ``kerma_mgy`` and ``kap_mgycm2`` are of all planned views that are not excused,
    ``*_of_done`` of those done. ``None`` is unknown. Views without a setting in the chart are in
    no sum. The uncertainty is standard (k = 1), relative, of the kerma.
    """

    chart: Name
    chart_basis: Literal["invented", "site"]
    views: Count
    views_without_setting: Count
    kerma_mgy: NotNegative | None
    kap_mgycm2: NotNegative | None
    kerma_of_done_mgy: NotNegative | None = None
    kap_of_done_mgycm2: NotNegative | None = None
    relative_uncertainty: NotNegative | None = None
    basis: tuple[DoseBasis, ...] = ()
    words: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "chart": "invented-chart",
            "chart_basis": "invented",
            "views": 14,
            "views_without_setting": 0,
            "kerma_mgy": 24.0,
            "kap_mgycm2": 680.0,
            "kerma_of_done_mgy": 22.0,
            "kap_of_done_mgycm2": 620.0,
            "relative_uncertainty": 0.9,
            "basis": ["model"],
            "words": "The chart (invented) expects 24 mGy for 14 views.",
        },
    )


class PatientPeriodDose(Contract):
    """What one patient got at this site in a number of days, this study's day being the last.

    ``studies`` counts this one too; ``other_studies`` names the newest others, at most 50. Ids of
    merged patients read as one. Unknown exposures are in no sum. The uncertainty is standard
    (k = 1), relative, of the kerma; studies are taken as wrong all in the same way.
    """

    period_days: Annotated[int, Field(ge=1)]
    first_day: date
    studies: Annotated[int, Field(ge=1)]
    other_studies: Annotated[tuple[Uid, ...], Field(max_length=50)] = ()
    exposures: Count
    unknown_exposures: Count
    kerma_mgy: NotNegative
    kap_mgycm2: NotNegative
    relative_uncertainty: NotNegative | None = None
    basis: tuple[DoseBasis, ...] = ()
    comparisons: tuple[DoseComparison, ...] = ()
    verdict: DoseVerdict
    words: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "period_days": 365,
            "first_day": "2025-03-03",
            "studies": 2,
            "other_studies": ["2.25.900"],
            "exposures": 3,
            "unknown_exposures": 0,
            "kerma_mgy": 4.8,
            "kap_mgycm2": 135.0,
            "relative_uncertainty": 0.9,
            "basis": ["model"],
            "comparisons": [DoseComparison.EXAMPLES[0]],
            "verdict": "within",
            "words": "2 studies in 365 days: 4.8 of 120 mGy.",
        },
    )


class DoseResult(Contract):
    """Sums over a study's exposures. Kerma sums over different fields: an indicator only.

    ``unknown_exposures`` counts those without a kerma; they are in no sum. Nor are the
    ``doubtful_exposures``, whose kerma or area product is asked about: ``*_with_doubtful_*`` is the
    sum with them as told, where there are any. ``comparisons`` are the study's, and those of
    single exposures that are not within. Comparators are human dental values, never animal limits.
    ``verdict`` is of this study alone; that of the patient's period stands in ``patient_period``.
    """

    exposures: Count
    unknown_exposures: Count
    doubtful_exposures: Count = 0
    kerma_mgy: NotNegative
    kap_mgycm2: NotNegative
    kerma_with_doubtful_mgy: NotNegative | None = None
    kap_with_doubtful_mgycm2: NotNegative | None = None
    repeats: Count = 0
    ended_early: Count = 0
    kerma_repeats_mgy: NotNegative = 0.0
    kerma_ended_early_mgy: NotNegative = 0.0
    kap_repeats_mgycm2: NotNegative = 0.0
    kap_ended_early_mgycm2: NotNegative = 0.0
    relative_uncertainty: NotNegative | None = None
    basis: tuple[DoseBasis, ...] = ()
    verdict: DoseVerdict
    words: Text
    comparisons: tuple[DoseComparison, ...] = ()
    comparators: tuple[Text, ...] = ()
    planned: PlannedDose | None = None
    patient_period: PatientPeriodDose | None = None

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
            "planned": PlannedDose.EXAMPLES[0],
            "patient_period": PatientPeriodDose.EXAMPLES[0],
        },
    )
