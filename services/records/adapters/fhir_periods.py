"""A FHIR server's refusal because its books are closed, told apart by the group's codes. Pure."""

from collections.abc import Iterator
from datetime import date
from typing import Any

from schemas.mappings.closed_period import ClosedPeriod
from services.records.adapters.fhir_names import Resource


def says_closed(outcome: Resource, told: ClosedPeriod | None) -> bool:
    """Tell whether an OperationOutcome carries the code of closed books."""
    return told is not None and any(_is_closed(issue, told) for issue in _parts(outcome, "issue"))


def first_open_day(outcome: Resource, told: ClosedPeriod, today: date) -> date:
    """Give the day that the server names as the first open one; today where it names none."""
    for issue in _parts(outcome, "issue"):
        for one in _parts(issue, "extension"):
            if told.next_day_extension and one.get("url") == told.next_day_extension:
                try:
                    return date.fromisoformat(str(one.get("valueDate")))
                except ValueError:
                    return today
    return today


def _is_closed(issue: Resource, told: ClosedPeriod) -> bool:
    details = issue.get("details")
    return any(
        one.get("code") == told.code and told.system in {None, one.get("system")}
        for one in (_parts(details, "coding") if isinstance(details, dict) else ())
    )


def _parts(of: Resource, name: str) -> Iterator[dict[str, Any]]:
    found = of.get(name)
    return (one for one in (found if isinstance(found, list) else []) if isinstance(one, dict))
