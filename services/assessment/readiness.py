"""What the readiness checks of a study say: anaesthesia, people, the cover of the sensor."""

from collections.abc import Sequence
from dataclasses import dataclass

from schemas.facts import ReadinessChecked
from services.assessment.counting import Fact, told


@dataclass(frozen=True, slots=True)
class Readiness:
    """By the last check who confirmed the surgical plane, and whether people were outside the beam.

    ``new_sensor_cover``: whether any check tells of one; ``cover_fact`` is the first that does,
    else the last check. None is 'not told'.
    """

    anaesthesia_confirmed_by: str | None = None
    people_outside_beam: bool | None = None
    new_sensor_cover: bool | None = None
    cover_fact: str | None = None


def readiness_of(facts: Sequence[Fact]) -> Readiness:
    """Read the checks among a study's facts, which stand in time order."""
    checks = told(facts, ReadinessChecked)
    if not checks:
        return Readiness()
    last_fact, last = checks[-1]
    new = next((fact for fact, check in checks if check.new_sensor_cover), None)
    return Readiness(
        anaesthesia_confirmed_by=(
            last_fact.source.name if last.anaesthetic_plane_confirmed else None
        ),
        people_outside_beam=last.people_outside_beam,
        new_sensor_cover=new is not None,
        cover_fact=(new or last_fact).natural_key,
    )
