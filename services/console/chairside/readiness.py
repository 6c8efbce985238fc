"""The checks before the first exposure, and where people stand. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from schemas.facts import ReadinessChecked
from schemas.protection import MarkedPosition, load_published_protection
from services.console.views_chairside import StudyBoard


@dataclass(frozen=True, slots=True)
class ReadinessNow:
    """What the last check says; None: nobody told."""

    plane: bool | None
    people: bool | None
    cover: bool | None

    @property
    def all_confirmed(self) -> bool:
        return bool(self.plane and self.people and self.cover)


def readiness_now(board: StudyBoard) -> ReadinessNow:
    """Read the newest check, also one that was just told and is in no assessment yet."""
    told = board.readiness
    study = board.study
    plane = told.anaesthesia_confirmed_by is not None if study.readiness_fact is not None else None
    now = ReadinessNow(plane, told.people_outside_beam, told.new_sensor_cover)
    for one in board.just_told:  # in time order
        if isinstance(one.fact, ReadinessChecked):
            now = ReadinessNow(
                one.fact.anaesthetic_plane_confirmed,
                one.fact.people_outside_beam,
                bool(now.cover) or one.fact.new_sensor_cover,
            )
    return now


def positions_words(positions: Sequence[MarkedPosition], room: str) -> str:
    """Say where people stand: at the site's marked places, else as a published text wants it."""
    own = [one for one in positions if one.room == room and one.who == "worker"]
    if own:
        places = "; ".join(f"{one.name} {one.distance_m:g} m" for one in own)
        return f"at the site's marked places: {places}"
    rule = load_published_protection().positions[0]
    basis = ", from memory" if rule.basis == "memory" else ""
    name = rule.source.partition(",")[0].partition(":")[0]
    return f"{rule.least_m:g} m or more away ({name}{basis}; no place is marked)"
