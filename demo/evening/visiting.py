"""A visit from the order to the closing, as the technician and the devices of a room do it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from demo.evening.chapter import Chapter
from demo.evening.guests import Guest, views_planned
from demo.evening.stage import CameOtherwise, Stage
from demo.story import Shot
from schemas.conclusions import StudyAssessed


@dataclass(slots=True)
class Visited:
    """What really happened at one visit: each view's image by its UID, and how many exposures."""

    guest: Guest
    ended_at: datetime
    images: dict[str, str] = field(default_factory=dict)
    exposures: int = 0
    refused: list[str] = field(default_factory=list)


def begin(stage: Stage, guest: Guest) -> Visited:
    """Ask the worklist at the room's station, and confirm that everything is ready."""
    answer = stage.station(guest).ask(do="worklist", accession_number=guest.visit.accession_number)
    if len(answer["views"]) != views_planned(guest):
        raise CameOtherwise(f"{guest.name}: expected the planned views on the worklist")
    at = stage.evening.day.begins_at(guest.visit)
    technician = stage.person(stage.house(guest.site).technician)
    technician.confirms_readiness(at + timedelta(minutes=5), guest.study)
    return Visited(guest, at)


def take(stage: Stage, visited: Visited, shots: Iterable[Shot], **how: bool) -> None:
    """Expose and send the images; ``how`` the generator tells of it, see ``Generator.expose``."""
    guest, made = visited.guest, []
    for shot in shots:
        stage.expose(guest, shot, **how)
        if shot.makes_image:
            stage.image(guest, shot)
        made.append(shot)
    for shot in made:
        told = stage.generator(guest).answer()
        if "refused" in told:
            visited.refused.append(told["refused"])
        visited.exposures += 1
        visited.ended_at = shot.true_time
        if shot.makes_image:
            answer = stage.station(guest).answer()
            if "stored" in answer:
                visited.images[shot.view] = answer["stored"]


def wait_assessed(stage: Stage, visited: Visited, exposures: int | None = None) -> StudyAssessed:
    """Wait until all that was told stands in the assessment."""
    wanted = visited.exposures if exposures is None else exposures
    return stage.wait_study(
        visited.guest,
        f"{wanted} exposures and {len(visited.images)} images assessed",
        lambda study: len(study.exposures) == wanted and len(study.images) == len(visited.images),
    )


def close(stage: Stage, visited: Visited) -> StudyAssessed:
    """Tell that the study is over, and wait until the assessment says so."""
    guest = visited.guest
    technician = stage.person(stage.house(guest.site).technician)
    technician.closes(visited.ended_at + timedelta(minutes=3), guest.study)
    return stage.wait_study(guest, "the study closed", lambda study: study.closed)


def total(charges: Iterable[Mapping[str, Any]]) -> Decimal:
    """Sum ledger entries, credits off."""
    return sum(
        (Decimal(entry["amount"]) * (1 if entry["type"] == "charge" else -1) for entry in charges),
        Decimal(0),
    )


def check_held(stage: Stage, guest: Guest, chapter: Chapter) -> None:
    """Check what the record holds of a guest: each entry once, and the sum as by hand."""
    held = stage.held(guest)["charges"]
    keys = [entry["posting_key"] for entry in held]
    chapter.check(
        f"the record holds {guest.held_eur} EUR for {guest.name}, each entry once, as reckoned by "
        "hand before the day",
        total(held) == guest.held_eur and len(keys) == len(set(keys)),
    )


def wait_held(stage: Stage, guest: Guest, *, charges: int) -> None:
    """Wait until the record holds so many entries of charges, and a note."""

    def posted() -> bool:
        held = stage.held(guest)
        return len(held["charges"]) >= charges and bool(held["notes"])

    stage.wait_for(f"{guest.name}: {charges} entries and a note in the record", posted)
