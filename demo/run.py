"""Runs the invented day: orders, worklist, exposures, images, people, and what the record holds."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from demo.hospital import Hospital
from demo.people import Person
from demo.stand_in import StandIn
from demo.story import Day, Setback, Shot, Visit, animal_size, plan_of, shots
from schemas.conclusions import StudyAssessed

Say = Callable[[str], None]
_SETTLED_WITHIN_S = 40.0


class DayFailed(Exception):  # noqa: N818
    """The day did not come to the end that it should; says what was expected."""


@dataclass(slots=True)
class Outcome:
    """A visit with what the system made of it: its assessment, and what its record holds."""

    visit: Visit
    assessed: StudyAssessed
    charges: list[dict[str, Any]]
    note: dict[str, Any]


@dataclass(slots=True)
class Played:
    """What really happened at one visit, to wait for."""

    visit: Visit
    images: int = 0
    exposures: int = 0
    ended_at: datetime | None = None
    rejected: list[str] = field(default_factory=list)
    unlabelled: list[tuple[str, str]] = field(default_factory=list)


class RunOfTheDay:
    """The stage manager. Facts travel only by the real doors."""

    def __init__(self, day: Day, hospital: Hospital, say: Say) -> None:
        self._day = day
        self._hospital = hospital
        self._say = say
        url = hospital.http_url
        self._technician = Person(url, "tech-1")
        self._vet = Person(url, "vet-1")
        self._record = StandIn("demo.record", url=url, folder=hospital.record_folder)
        self._generator = StandIn("demo.generator", url=url)
        self._station = StandIn("demo.station", host="127.0.0.1", port=hospital.dicom_port)

    def run(self) -> list[Outcome]:
        with self._record, self._generator, self._station:
            for visit in self._day.visits:
                self._record.ask(do="place", visit=visit.model_dump_json())
            self._say(f"{len(self._day.visits)} orders placed by the stand-in record (HTTP)")
            played = [self._visit(visit) for visit in self._day.visits]
            for one in played:
                self._close(one)
            self._late_images(played)
            for one in played:
                if one.visit.sign:
                    self._sign(one)
            self._wait_for("every posting answered", lambda: self._all_posted(played))
            outcomes = [self._outcome(one) for one in played]
            self._record.ask(do="file", visits=[v.model_dump_json() for v in self._day.visits])
            return outcomes

    def _visit(self, visit: Visit) -> Played:
        played = Played(visit)
        study = visit.study_instance_uid
        self._wait_for("the order on the worklist", lambda: self._on_worklist(visit))
        started = self._day.begins_at(visit) + timedelta(minutes=5)
        self._technician.confirms_readiness(started, study)
        made: list[Shot] = []
        for shot in shots(self._day, visit):
            told = shot.model_dump_json()
            self._generator.tell(do="expose", shot=told, animal_size=animal_size(visit))
            played.exposures += 1
            if shot.makes_image:
                self._station.tell(
                    do="image",
                    shot=told,
                    accession_number=visit.accession_number,
                    plan=visit.plan,
                )
                made.append(shot)
            played.ended_at = shot.true_time
        for _ in range(played.exposures):
            self._generator.answer()
        for shot in made:
            answer = self._station.answer()
            if shot.rejected:
                played.rejected.append(answer["stored"])
            if not shot.labelled:
                played.unlabelled.append((answer["stored"], shot.view))
            played.images += "stored" in answer
        self._decide(played)
        self._say(
            f"{visit.patient.name}: {played.exposures} exposures (HTTP), "
            f"{played.images} images (C-STORE)"
        )
        return played

    def _on_worklist(self, visit: Visit) -> bool:
        try:
            answer = self._station.ask(do="worklist", accession_number=visit.accession_number)
        except Exception as error:
            raise DayFailed(f"{visit.patient.name}: {error}") from error
        return set(answer["views"]) == {view.code for view in plan_of(visit).views}

    def _decide(self, played: Played) -> None:
        visit, at = played.visit, played.ended_at
        if at is None:
            raise DayFailed(f"{visit.patient.name}: expected at least one exposure")
        study = visit.study_instance_uid
        for image in played.rejected:
            self._technician.rejects(at + timedelta(seconds=20), study, image)
        for image, view in played.unlabelled:
            self._technician.assigns(at + timedelta(seconds=40), study, image, view)
        for view, setbacks in visit.events.items():
            if Setback.EXCUSED in setbacks:
                reason = visit.excuse_reason or "not told"
                self._technician.excuses(at + timedelta(seconds=60), study, view, reason)

    def _close(self, played: Played) -> None:
        visit, at = played.visit, played.ended_at
        self._wait_for(
            f"{visit.patient.name} assessed",
            lambda: self._is_assessed(played),
        )
        if at is not None:
            self._technician.closes(at + timedelta(minutes=3), visit.study_instance_uid)
        self._wait_for(f"{visit.patient.name} closed", lambda: self._closed_and_posted(played))
        self._say(f"{visit.patient.name}: study closed, charges and draft note posted")

    def _is_assessed(self, played: Played) -> bool:
        study = self._hospital.study(played.visit.study_instance_uid)
        return (
            study is not None
            and len(study.images) == played.images
            and len(study.exposures) == played.exposures
        )

    def _closed_and_posted(self, played: Played) -> bool:
        charges, notes = self._held(played.visit)
        return bool(charges) and bool(notes)

    def _late_images(self, played: list[Played]) -> None:
        late = self._station.ask(do="send_late")["stored"]
        for one in played:
            kept_back = sum(Setback.LATE in events for events in one.visit.events.values())
            if kept_back:
                self._late_images_of(one, kept_back)
        self._say(f"{len(late)} late image arrived after closing: charges and note revised")

    def _late_images_of(self, played: Played, count: int) -> None:
        before = len(self._held(played.visit)[0])
        played.images += count
        self._wait_for("the late image", lambda: self._is_assessed(played))
        self._wait_for("the late image's charge", lambda: len(self._held(played.visit)[0]) > before)
        self._wait_for("the late image in the note", lambda: self._note_is_new(played))

    def _note_is_new(self, played: Played) -> bool:
        study = self._hospital.study(played.visit.study_instance_uid)
        _, notes = self._held(played.visit)
        return bool(study and notes and notes[-1]["assessment_revision"] == study.revision)

    def _sign(self, played: Played) -> None:
        """The vet reads the newest draft in the record and signs that content."""
        _, notes = self._held(played.visit)
        draft = notes[-1]
        at = self._day.begins_at(self._day.visits[-1]) + timedelta(hours=3)
        self._vet.signs(at, played.visit.study_instance_uid, draft["content_sha256"])
        self._wait_for(
            f"{played.visit.patient.name}'s note signed",
            lambda: self._held(played.visit)[1][-1]["state"] == "signed",
        )
        self._say(f"{played.visit.patient.name}: note signed by the invented vet")

    def _all_posted(self, played: list[Played]) -> bool:
        return all(self._closed_and_posted(one) for one in played)

    def _outcome(self, played: Played) -> Outcome:
        study = self._hospital.study(played.visit.study_instance_uid)
        charges, notes = self._held(played.visit)
        if study is None:
            raise DayFailed(f"{played.visit.patient.name}: expected an assessment")
        return Outcome(played.visit, study, charges, notes[-1])

    def _held(self, visit: Visit) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        """Give what the record holds for a study: ledger entries, and note revisions in order."""
        held = self._record.ask(do="held", study_instance_uid=visit.study_instance_uid)
        return held["charges"], held["notes"]

    def _wait_for(self, what: str, done: Callable[[], bool]) -> None:
        end = time.monotonic() + _SETTLED_WITHIN_S
        while not done():
            if time.monotonic() > end:
                log = self._hospital.folder / "services.log"
                raise DayFailed(f"expected {what} within {_SETTLED_WITHIN_S:.0f} s; see {log}")
            time.sleep(0.1)
