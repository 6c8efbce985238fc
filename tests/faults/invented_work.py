"""Invented work of three hospitals, repeatable from a seed, and what each study must cost.

What a study costs is reckoned here, by plain arithmetic over what happened to the animal; none of
the services' code is asked. Patients, owners and prices are invented.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from enum import StrEnum

from tests.faults.invented_group import (
    HOSPITALS,
    MOST_A_STUDY,
    PLANS,
    ROOMS,
    VIEWS,
    Hospital,
)
from tests.faults.truth import Charge, Study

FIRST_DAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
LAST_START = timedelta(hours=9)
"""After this long into a day no further study begins."""

# Shares of studies or views, all invented.
RETAKEN = 0.06
ABORTED = 0.06
EXCUSED = 0.05
NEVER_MADE = 0.03
LATE = 0.06
BACK_TO_BACK = 0.25
RETURNING = 0.1
TRAINING = 0.03
SIGNED = 0.3
AFTER_SIGNATURE = 0.25
"""Of the signed ones."""


class When(StrEnum):
    """When a shot is told: with its study, after that was closed, or after its note was signed."""

    NOW = "now"
    LATE = "late"
    AFTER_SIGNATURE = "after_signature"


@dataclass(frozen=True, slots=True)
class Shot:
    """One press of the switch. ``image`` is the SOP Instance UID; an aborted one made none.

    ``rejected``: the technician threw the image away and took the view again.
    """

    view: str
    at: datetime
    counter: int
    image: str | None
    rejected: bool = False
    when: When = When.NOW


@dataclass(frozen=True, slots=True)
class PlannedStudy:
    """One study as it happens. ``number`` counts from 1; ``close_first``: the end is told first."""

    number: int
    hospital: Hospital
    room: str
    patient: str
    order_id: str
    study: str
    accession: str
    account: str | None
    plan: str
    starts: datetime
    shots: tuple[Shot, ...]
    excused: tuple[str, ...]
    training: bool
    signed: bool
    addendum: bool
    close_first: bool

    @property
    def ends(self) -> datetime:
        return max((shot.at for shot in self.shots), default=self.starts)

    def of(self, when: When) -> tuple[Shot, ...]:
        return tuple(shot for shot in self.shots if shot.when is when)

    def truth(self) -> Study:
        """Say what must be so in the end."""
        return Study(
            study=self.study,
            site=self.hospital.name,
            room=self.room,
            patient=self.patient,
            account=self.account,
            order_id=self.order_id,
            images=tuple(shot.image for shot in self.shots if shot.image is not None),
            exposures=tuple((self.hospital.serial(self.room), shot.counter) for shot in self.shots),
            charges=() if self.training else costs(self.shots),
            noted=not self.training,
        )


def costs(shots: Iterable[Shot]) -> tuple[Charge, ...]:
    """Reckon a study: each view with a good image costs its price once, until the most is reached.

    The views count in the order in which their good images were made.
    """
    good: dict[str, Shot] = {}
    for shot in sorted(shots, key=lambda one: one.at):
        if shot.image is not None and not shot.rejected:
            good[shot.view] = shot
    left, charges = MOST_A_STUDY, list[Charge]()
    for shot in sorted(good.values(), key=lambda one: one.at):
        view = VIEWS[shot.view]
        amount = min(view.price, left)
        if amount > Decimal(0):
            charges.append(Charge(view.charge, 1, str(amount)))
            left -= amount
    return tuple(charges)


@dataclass(slots=True)
class _Room:
    """Where a room's work stands."""

    hospital: Hospital
    name: str
    now: datetime
    counter: int = 1000


class Work:
    """An endless row of studies, cut off at ``studies``. The same seed gives the same row."""

    def __init__(self, seed: int, studies: int) -> None:
        self.seed = seed
        self.studies = studies

    def __iter__(self) -> Iterator[PlannedStudy]:
        rng = random.Random(f"invented work {self.seed}")
        rooms = [_Room(one, room, FIRST_DAY) for room in ROOMS for one in HOSPITALS]
        seen: dict[str, list[str]] = {one.name: [] for one in HOSPITALS}
        for number in range(1, self.studies + 1):
            room = rooms[number % len(rooms)]
            yield self._study(rng, number, room, seen[room.hospital.name])

    def _study(self, rng: random.Random, number: int, room: _Room, seen: list[str]) -> PlannedStudy:
        if seen and rng.random() < RETURNING:
            patient = rng.choice(seen)
        else:
            patient = f"INV{self.seed % 1000:03d}-{number:06d}"
            seen.append(patient)
        _begin(rng, room)
        starts = room.now
        plan = rng.choice(tuple(PLANS))
        excused, views = list[str](), list[str]()
        for view in PLANS[plan]:
            (excused if rng.random() < EXCUSED else views).append(view)
        shots = [
            shot
            for view in views
            if rng.random() >= NEVER_MADE
            for shot in self._shots(rng, room, view)
        ]
        training = room.hospital.record == "folder" and rng.random() < TRAINING
        signed = not training and rng.random() < SIGNED
        made = [shot.image for shot in shots if shot.image is not None and not shot.rejected]
        if made and rng.random() < (AFTER_SIGNATURE if signed else LATE):
            later = When.AFTER_SIGNATURE if signed else When.LATE
            chosen = rng.choice(made)
            shots = [replace(one, when=later) if one.image == chosen else one for one in shots]
        order_id = f"{self.seed % 1000:03d}{number:06d}"
        return PlannedStudy(
            number=number,
            hospital=room.hospital,
            room=room.name,
            patient=patient,
            order_id=order_id,
            study=self._uid(number, 0),
            accession=f"INVA{order_id}",
            account=None if room.hospital.record == "fhir" else f"INVACC{order_id}",
            plan=plan,
            starts=starts,
            shots=tuple(shots),
            excused=tuple(excused),
            training=training,
            signed=signed,
            addendum=signed and rng.random() < AFTER_SIGNATURE,
            close_first=rng.random() < 0.1,
        )

    def _shots(self, rng: random.Random, room: _Room, view: str) -> Iterator[Shot]:
        """Give the exposures of one view: perhaps one let go too soon, perhaps one thrown away."""
        if rng.random() < ABORTED:
            yield self._shot(rng, room, view, makes_image=False)
        if rng.random() < RETAKEN:
            yield replace(self._shot(rng, room, view), rejected=True)
        yield self._shot(rng, room, view)

    def _shot(
        self, rng: random.Random, room: _Room, view: str, *, makes_image: bool = True
    ) -> Shot:
        room.now += timedelta(seconds=round(rng.uniform(40, 110), 3))
        room.counter += 1
        serial = HOSPITALS.index(room.hospital) * len(ROOMS) + ROOMS.index(room.name) + 1
        image = self._uid(serial, room.counter) if makes_image else None
        return Shot(view, room.now, room.counter, image)

    def _uid(self, number: int, of: int) -> str:
        """Make a UID under 2.25 (PS3.5 annex B.2), all of one length."""
        whole = 10**37 + self.seed % 10**9 * 10**20 + number * 10**10 + of
        return f"2.25.{whole}"


def _begin(rng: random.Random, room: _Room) -> None:
    """Let some time pass; often the next animal lies on the table within two minutes."""
    if rng.random() < BACK_TO_BACK:
        room.now += timedelta(seconds=round(rng.uniform(70, 120), 3))
    else:
        room.now += timedelta(minutes=round(rng.uniform(8, 20), 3))
    opens = room.now.replace(hour=FIRST_DAY.hour, minute=0, second=0, microsecond=0)
    if room.now - opens > LAST_START:
        room.now = opens + timedelta(days=1)
