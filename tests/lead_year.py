"""An invented half-year of whole mouths, for the looks and tests of the lead's view.

Every share in it is invented: a new technician loses upper cheek teeth, one sensor is worn, and the
second site ends exposures early.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from schemas.conclusions import (
    Concern,
    ExposureUse,
    ImageUse,
    RepeatFound,
    RepeatKind,
    StudyAssessed,
    TechniqueFinding,
)
from schemas.envelope import Message, Payload
from schemas.group import Group
from schemas.teeth import Species
from services.console.worker import ConsoleHandler
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP, exposure
from tests.console_told import told
from tests.noted import full_mouth

FIRST = date(2026, 1, 5)
DAYS = 170
PEOPLE = ("technician-1", "trainee-1", "vet-1", "lead-1")
_GROUP = Group(
    name=GROUP.name,
    title=GROUP.title,
    sites=(GROUP.site("north"), GROUP.site("north").model_copy(update={"name": "south"})),
)
REASONS = ("111209", "111209", "111209", "111210", "111211", "111212")


def tell_a_half_year(store: Store, studies: int = 150) -> None:
    """Let the console's own worker hear it."""
    handler = ConsoleHandler(_GROUP)
    with store.begin() as connection:
        work = Work(connection, store)
        handler(work, list(half_year(studies)))
        work.flush("console")


def half_year(studies: int = 150) -> Iterator[Message[Payload]]:
    """Make closed studies of two sites, the same ones each time."""
    rng = random.Random(11)
    base = {
        species: full_mouth(f"{species.value}-full-mouth", species)
        for species in (Species.DOG, Species.CAT)
    }
    for number in range(studies):
        site = "north" if number % 3 else "south"
        day = FIRST + timedelta(days=number * DAYS // studies)
        of = base[Species.CAT if rng.random() < 0.3 else Species.DOG]
        message = told(_study(rng, of, number, day, site))
        yield replace(message, site=site)


def _study(
    rng: random.Random, of: StudyAssessed, number: int, day: date, site: str
) -> StudyAssessed:
    person = rng.choice(PEOPLE)
    sensor = rng.choice(("sensor-a", "sensor-b"))
    uid = f"2.25.77{number:04d}"
    images, exposures, repeats, technique = [], [], [], []
    for place, one in enumerate(of.images):
        made = f"{uid}{place:02d}"
        key = f"exposure:INVENTED-0001:{number}:{place}"
        hard = (one.view or "").startswith("max-") and one.view != "max-incisors"
        share = 0.02 + 0.05 * hard + (0.22 if person == "trainee-1" and hard else 0.0)
        share += 0.07 if sensor == "sensor-b" else 0.0
        told_so: dict[str, Any] = {}
        if rng.random() < share:
            told_so = {"use": ImageUse.REJECTED, "words": f"rejected: reason {rng.choice(REASONS)}"}
            repeats.append(_repeat(one.view, made))
        new = {"sop_instance_uid": made, "exposure_key": key, "sensor": sensor}
        images.append(one.model_copy(update=new | told_so))
        kerma = rng.lognormvariate(0.1, 0.45)
        shot = exposure(place, sop_instance_uid=made, operator=person, kerma_mgy=kerma)
        exposures.append(shot.model_copy(update={"exposure_key": key, "kap_mgycm2": 28 * kerma}))
        if rng.random() < (0.12 if person == "vet-1" else 0.02):
            technique.append(_off_chart(key))
    if rng.random() < (0.9 if site == "south" else 0.1):
        early = exposure(90, ExposureUse.ENDED_EARLY, operator=person, generator="generator-1")
        exposures.append(early)
    return of.model_copy(
        update={
            "study_instance_uid": uid,
            "day": day,
            "closed": True,
            "images": tuple(images),
            "exposures": tuple(exposures),
            "repeats": tuple(repeats),
            "technique": tuple(technique),
        }
    )


def _repeat(view: str | None, again: str) -> RepeatFound:
    return RepeatFound(
        kind=RepeatKind.SAME_VIEW_TWICE,
        view=view,
        first=None,
        again=again,
        seconds_between=60.0,
        words="invented",
        rule="invented",
    )


def _off_chart(key: str) -> TechniqueFinding:
    return TechniqueFinding(
        code="not-back-at-preset",
        exposure_key=key,
        concern=Concern.CHECK,
        words="invented",
        rule="invented",
    )
