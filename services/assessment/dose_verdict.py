"""One dose against one pair of levels, and what several of them come to."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal

from schemas.limits import Levels
from services.assessment.kerma_uncertainty import interval

Quantity = Literal["kerma_mgy", "kap_mgycm2"]

_SHOWN: Final[dict[Quantity, tuple[str, str]]] = {
    "kerma_mgy": ("incident air kerma", "mGy"),
    "kap_mgycm2": ("kerma-area product", "mGy·cm²"),
}


class Verdict(StrEnum):
    """A dose against levels, the gravest last. ``unknown`` is never taken as ``within``."""

    WITHIN = "within"
    UNKNOWN = "unknown"
    NOTIFY = "notify"
    ALERT = "alert"


@dataclass(frozen=True, slots=True)
class Comparison:
    """One quantity against its levels.

    ``fact_id`` names the exposure; ``None`` is the whole study. ``possible_verdict`` is the
    verdict at the upper end of the value's interval (k = 2).
    """

    quantity: Quantity
    fact_id: str | None
    value: float | None
    upper_value: float | None
    levels: Levels
    verdict: Verdict
    possible_verdict: Verdict
    words: str


def compare(
    quantity: Quantity,
    levels: Levels,
    *,
    value: float | None,
    uncertainty: float | None,
    fact_id: str | None = None,
    unknown: int = 0,
    doubtful: int = 0,
    with_doubtful: float | None = None,
) -> Comparison:
    """Compare a value with its levels; both are in the unit that ``quantity`` names.

    ``unknown`` and ``doubtful`` exposures are missing from the value, which then is a lower bound:
    it can reach a level, but cannot be called within. ``with_doubtful`` is the value with the
    doubtful ones as told; the level that it reaches is possible.
    """
    name, unit = _SHOWN[quantity]
    subject = "Study" if fact_id is None else f"Exposure {fact_id}"
    upper = None
    if value is None or uncertainty is None:
        words = f"{subject}: {name} unknown."
        verdict = possible = Verdict.UNKNOWN
    else:
        verdict = _against(value, levels)
        upper = interval(value, uncertainty)[1]
        possible = _against(upper, levels)
        more = f", {unknown} more of unknown dose" if unknown else ""
        words = (
            f"{subject}: {name} {value:.3g} {unit}{more} "
            f"(notify {levels.notify:g}, alert {levels.alert:g})."
        )
        if possible is not verdict:
            words += f" Its uncertainty reaches up to {upper:.3g} {unit}, the {possible} level."
        if unknown or doubtful:
            verdict = overall_of((verdict, Verdict.UNKNOWN))
            possible = overall_of((possible, Verdict.UNKNOWN))
    if doubtful and with_doubtful is not None:
        as_told = _against(with_doubtful, levels)
        possible = overall_of((possible, as_told))
        whose = "It is doubtful" if fact_id is not None else f"{doubtful} of doubtful dose left out"
        words += f" {whose}; as told it would be {with_doubtful:.3g} {unit}" + (
            f", the {as_told} level." if as_told is not Verdict.WITHIN else "."
        )
    return Comparison(quantity, fact_id, value, upper, levels, verdict, possible, words)


def overall(comparisons: Iterable[Comparison]) -> Verdict:
    """Return the gravest verdict; of none at all, ``unknown``."""
    return overall_of(c.verdict for c in comparisons)


def overall_of(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the gravest verdict, alert over notify over unknown over within."""
    gravity = list(Verdict)
    return max(verdicts, key=gravity.index, default=Verdict.UNKNOWN)


def _against(value: float, levels: Levels) -> Verdict:
    if value >= levels.alert:
        return Verdict.ALERT
    return Verdict.NOTIFY if value >= levels.notify else Verdict.WITHIN
