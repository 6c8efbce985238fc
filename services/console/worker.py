"""The console's worker: conclusions and a few facts in, rows for pages out."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, cast

from schemas.conclusions import (
    ChargesAssessed,
    ChargesCorrected,
    CodesMissing,
    NoteUnsigned,
    NoteWritten,
    RoomDayAssessed,
    StudyAssessed,
)
from schemas.envelope import Message, Payload
from schemas.facts import ClockRead, ImageStored, OrderPlaced, PostingAnswered, StepPerformed
from schemas.group import Group
from services.console import answers, bill_rows, note_rows, store, tables
from services.console.arrivals import ARRIVALS, arrival_row, clock_ahead_s
from services.console.change_store import add_changes
from services.console.changes import topic
from services.console.charges.heard import MonthSums, take_days
from services.console.charges.tables import CHARGE_MONTH
from services.console.figures import FigureSums, from_text
from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY
from services.console.room_day_rows import correction_row, room_day_row
from services.console.storage import StorageSums
from services.console.store import Contact, KeptStudy
from services.console.study_rows import day_of, question_rows, study_row
from services.console.unmapped_rows import unmapped_rows
from services.runtime.upsert import add_to_rows
from services.runtime.worker import Work

ABOUT_A_STUDY = (
    StudyAssessed,
    ChargesAssessed,
    NoteWritten,
    NoteUnsigned,
    CodesMissing,
    PostingAnswered,
)
HEARD = (*ARRIVALS, ClockRead, OrderPlaced, StepPerformed, PostingAnswered)
"""Facts that also tell that a device or a record is there."""

Fact = Message[Payload]


@dataclass(slots=True)
class _Batch:
    """What one batch changes beside its studies' own rows, written once at its end."""

    figures: FigureSums = field(default_factory=FigureSums)
    bills: bill_rows.BillSums = field(default_factory=bill_rows.BillSums)
    charge_months: MonthSums = field(default_factory=MonthSums)
    storage: StorageSums = field(default_factory=StorageSums)
    contacts: dict[str, dict[str, Contact]] = field(default_factory=dict)
    topics: set[str] = field(default_factory=set)
    rows: store.StudyRows = field(default_factory=store.StudyRows)


@dataclass(frozen=True, slots=True)
class ConsoleHandler:
    """Handles ``channels.CONSOLE``.

    Everything is written in one order (studies, reconciled days, room-days, devices, sums, the
    number of the change), so that two workers never wait for each other in a ring.
    """

    group: Group

    def __call__(self, work: Work, messages: Sequence[Fact]) -> None:
        """Bring everything that the batch is about up to date once. Raises InvalidInput."""
        batch = _Batch()
        by_study: dict[tuple[str, str], list[Fact]] = {}
        for message in messages:
            self.group.site(message.site)
            if isinstance(message.payload, ABOUT_A_STUDY):
                key = (message.site, message.payload.study_instance_uid)
                by_study.setdefault(key, []).append(message)
        studies = sorted(by_study)
        work.lock_all(f"console:study:{site}:{study}" for site, study in studies)
        kept = store.read_studies(work.connection, studies)
        for site, study in studies:
            _take_study(site, study, kept[site, study], by_study[site, study], batch)
        batch.rows.write(work.connection)
        batch.topics |= take_days(work, messages, batch.charge_months)
        self._take_room_days(work, messages, batch)
        self._take_arrivals(work, messages, batch)
        self._write_sums(work, batch)

    def _take_room_days(self, work: Work, messages: Sequence[Fact], batch: _Batch) -> None:
        newest: dict[tuple[str, str, date], RoomDayAssessed] = {}
        for message in messages:
            told = message.payload
            if isinstance(told, RoomDayAssessed):
                key = message.site, told.room, told.day
                if key not in newest or newest[key].revision < told.revision:
                    newest[key] = told
        rows = [
            room_day_row(key[0], told)
            for key, told in sorted(newest.items(), key=lambda one: one[0])
        ]
        for site, room in store.write_room_days(work.connection, rows):
            batch.topics |= {topic("room", site, room), topic("site", site)}
        for message in messages:
            if isinstance(message.payload, ChargesCorrected):
                row = correction_row(message.site, message.payload)
                if store.add_correction(work.connection, row):
                    batch.topics |= {topic("bills", message.site), topic("site", message.site)}

    def _take_arrivals(self, work: Work, messages: Sequence[Fact], batch: _Batch) -> None:
        told = sorted(
            (one for one in messages if isinstance(one.payload, HEARD)),
            key=lambda one: (one.site, one.natural_key),
        )
        rows: dict[tuple[str, str], tuple[Fact, dict[str, Any]]] = {}
        for message in told:
            self._hear(message, batch)
            row = arrival_row(message, self.group.site(message.site))
            if row is not None:
                rows.setdefault((message.site, message.natural_key), (message, row))
        new = store.add_arrivals(work.connection, [row for _, row in rows.values()])
        for message, row in (rows[key] for key in sorted(new)):
            batch.topics.add(topic("site", message.site))
            if row["room"] is not None:
                batch.topics.add(topic("room", message.site, row["room"]))
            if row["study_instance_uid"] is not None:
                batch.topics.add(topic("study", message.site, row["study_instance_uid"]))
            if isinstance(message.payload, ImageStored):
                batch.storage.add(message.site, row["day"], message.payload.size_bytes)

    @staticmethod
    def _hear(message: Fact, batch: _Batch) -> None:
        devices = batch.contacts.setdefault(message.site, {})
        if message.source.kind in {"device", "record"}:
            contact = devices.setdefault(message.source.name, Contact())
            contact.heard(message.received_at)
        if isinstance(message.payload, ClockRead):
            contact = devices.setdefault(message.payload.device, Contact())
            contact.read(message.occurred_at, clock_ahead_s(message, message.payload))

    @staticmethod
    def _write_sums(work: Work, batch: _Batch) -> None:
        work.lock_all(f"console:devices:{site}" for site in sorted(batch.contacts))
        store.write_contacts(work.connection, batch.contacts)
        for table, rows in (
            (tables.STORAGE_DAY, batch.storage.rows()),
            (tables.BILL_DAY, batch.bills.day_rows()),
            (tables.BILL_MONTH, batch.bills.month_rows()),
            (CHARGE_MONTH, batch.charge_months.rows()),
            (tables.FIGURES_DAY, batch.figures.day_rows()),
            (FIGURES_SITE_DAY, batch.figures.site_day_rows()),
            (tables.FIGURES_MONTH, batch.figures.month_rows()),
            (FIGURES_SITE, batch.figures.site_rows()),
            (tables.REJECTS_DAY, batch.figures.reject_rows()),
        ):
            add_to_rows(work.connection, table, rows)
        add_changes(work.store, work.connection, sorted(batch.topics))


def _take_study(
    site: str, study: str, before: KeptStudy, messages: Sequence[Fact], batch: _Batch
) -> None:
    """Bring the rows of one study up to date with all that was told of it."""
    assessed = _newest(messages, StudyAssessed, before.study)
    own = before.study
    if assessed is not None:
        payload = cast("StudyAssessed", assessed.payload)
        own = study_row(site, payload, assessed.occurred_at)
        batch.rows.studies.append(own)
        batch.rows.asked[site, study] = list(question_rows(site, payload))
        figures = from_text(before.study["figures"] if before.study is not None else None)
        batch.figures.exchange(site, figures, from_text(own["figures"]))
    note = _note_now(site, study, before, messages, own)
    bill = _bill_now(site, study, before, messages, own)
    note_changed = note is not None and note != before.note
    if note is not None and note_changed:
        batch.rows.notes.append(note)
    batch.rows.revisions += _revisions(site, messages)
    bill_changed = bill is not None and bill != before.bill
    if bill is not None and bill_changed:
        batch.rows.bills.append(bill)
        batch.bills.exchange(before.bill, bill)
    known = before.unmapped
    now = unmapped_rows(site, messages, known, [row for row in (note, bill) if row])
    unmapped = [row for key, row in sorted(now.items()) if known.get(key) != row]
    batch.rows.unmapped += unmapped
    if assessed is None and not (note_changed or bill_changed or unmapped):
        return
    batch.topics |= {topic("site", site), topic("study", site, study)}
    batch.topics |= {topic("notes", site)} if note_changed else set()
    batch.topics |= {topic("bills", site)} if bill_changed else set()
    for row in (before.study, own):
        if row is not None and row["room"] is not None:
            batch.topics.add(topic("room", site, row["room"]))


def _newest(
    messages: Sequence[Fact],
    kind: type[StudyAssessed] | type[ChargesAssessed],
    kept: dict[str, Any] | None,
) -> Fact | None:
    """Give the message of the highest revision, where that is newer than what is kept."""
    known = kept["revision"] if kept is not None else 0
    found: Fact | None = None
    for message in messages:
        if isinstance(message.payload, kind) and message.payload.revision > known:
            known, found = message.payload.revision, message
    return found


def _note_now(
    site: str,
    study: str,
    before: KeptStudy,
    messages: Sequence[Fact],
    own: dict[str, Any] | None,
) -> dict[str, Any] | None:
    row = before.note
    for message in messages:
        payload = message.payload
        if isinstance(payload, NoteWritten):
            row = note_rows.with_note(row or note_rows.empty_note(site, study), payload)
        elif isinstance(payload, NoteUnsigned):
            row = note_rows.with_reminder(row or note_rows.empty_note(site, study), payload)
        elif isinstance(payload, PostingAnswered) and _is_of_note(payload):
            row = row or note_rows.empty_note(site, study)
            row = row | {"answers": _answered(row["answers"], message, payload)}
    return note_rows.settled(row, own) if row is not None else None


def _revisions(site: str, messages: Sequence[Fact]) -> list[dict[str, Any]]:
    return [
        note_rows.revision_row(site, message.payload, message.occurred_at)
        for message in messages
        if isinstance(message.payload, NoteWritten)
    ]


def _bill_now(
    site: str,
    study: str,
    before: KeptStudy,
    messages: Sequence[Fact],
    own: dict[str, Any] | None,
) -> dict[str, Any] | None:
    row = before.bill
    newest = _newest(messages, ChargesAssessed, row)
    answered = [
        (message, message.payload)
        for message in messages
        if isinstance(message.payload, PostingAnswered) and not _is_of_note(message.payload)
    ]
    day = day_of(own)
    if row is not None and newest is None and not answered and row["day"] == day:
        return row
    if row is None and newest is None and not answered:
        return None
    row = row or bill_rows.empty_bill(site, study)
    for message, payload in answered:
        row = row | {"answers": _answered(row["answers"], message, payload)}
    charges: ChargesAssessed | None = None
    if newest is not None:
        charges = cast("ChargesAssessed", newest.payload)
    elif row["snapshot"] is not None:
        charges = ChargesAssessed.model_validate_json(row["snapshot"])
    return bill_rows.settled(row, charges, day)


def _is_of_note(answer: PostingAnswered) -> bool:
    return answer.posting_key.startswith("note:")


def _answered(text: str, message: Fact, answer: PostingAnswered) -> str:
    known = answers.from_text(text)
    return answers.as_text(answers.with_answer(known, answer, message.occurred_at))
