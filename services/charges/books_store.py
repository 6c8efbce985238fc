"""Read a site's books for some days: studies, answers, the record's lines, what was decided."""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Select, select

from schemas.conclusions import ChargesAssessed, EntryType
from schemas.facts import PostingOutcome
from schemas.facts.record_lines import RecordLine
from schemas.reconciliation import ReconciliationRules
from services.charges.compared import Expected, Held, Posted, SiteBooks
from services.charges.control_totals import Imaged
from services.charges.ledger import standing
from services.charges.reconcile_store import whole_readings
from services.charges.reconcile_tables import ANSWER, CORRECTION, EFFECT, LINE, STUDY_DAY
from services.charges.store import ENTRY, STUDY
from services.charges.stored_forms import correction_expected

_AT_ONCE = 500

_Answers = dict[str, tuple[PostingOutcome, str | None, datetime]]
"""Outcome, words and moment of the record's answer, by posting key."""


@dataclass(frozen=True, slots=True)
class LoadedBooks:
    """The books of one site in one currency, with what was imaged."""

    books: SiteBooks
    imaged: tuple[Imaged, ...]


@dataclass(slots=True)
class _Shelf:
    """What was read so far, by its key."""

    entries: dict[str, tuple[Expected, str]] = field(default_factory=dict)
    imaged: dict[str, tuple[Imaged, str]] = field(default_factory=dict)
    lines: dict[str, tuple[RecordLine, Any]] = field(default_factory=dict)


def load_books(
    connection: Connection, site: str, first: date, last: date, rules: ReconciliationRules
) -> list[LoadedBooks]:
    """Read all that explains the days from ``first`` to ``last``, one set of books a currency.

    Days beyond both ends are read too, as far as a line by hand may lie from its work; a line or
    an entry that our key joins to one of these is read wherever it lies.
    """
    margin = timedelta(days=max(7, 2 * rules.match_window_days))
    begin, end = first - margin, last + margin
    shelf = _Shelf()
    studies = connection.execute(
        select(STUDY_DAY.c.study_instance_uid)
        .where(STUDY_DAY.c.site == site, STUDY_DAY.c.day.between(begin, end))
        .distinct()
    ).scalars()
    _read_studies(connection, site, list(studies), shelf)
    _read_corrections(connection, site, CORRECTION.c.day.between(begin, end), shelf)
    whole = whole_readings(connection, site, begin, end)
    days = select(LINE).where(LINE.c.site == site, LINE.c.day.between(begin, end))
    _take_lines(connection, days, shelf, whole)
    for _ in range(2):  # what those bring in may name others once more
        _follow_keys(connection, site, shelf)
    answers = _answers(connection, site, shelf.entries)
    assigned = _assigned(connection, site)
    return _by_currency(site, shelf, answers, assigned)


def _follow_keys(connection: Connection, site: str, shelf: _Shelf) -> None:
    """Read the lines of our keys and the entries of the lines' keys that lie elsewhere."""
    told = {line.posting_key for line, _ in shelf.lines.values() if line.posting_key}
    unknown = sorted(told - shelf.entries.keys())
    studies: set[str] = set()
    for page in _pages(unknown):
        found = connection.execute(
            select(ENTRY.c.study_instance_uid).where(
                ENTRY.c.site == site, ENTRY.c.posting_key.in_(page)
            )
        )
        studies |= set(found.scalars())
        _read_corrections(connection, site, CORRECTION.c.posting_key.in_(page), shelf)
    _read_studies(connection, site, sorted(studies), shelf)
    for page in _pages(sorted(shelf.lines)):
        _read_corrections(connection, site, CORRECTION.c.corrects.in_(page), shelf)
    held = {line.posting_key for line, _ in shelf.lines.values()}
    for page in _pages(sorted(shelf.entries.keys() - held)):
        query = select(LINE).where(LINE.c.site == site, LINE.c.posting_key.in_(page))
        _take_elsewhere(connection, site, query, shelf)
    targets = {one.corrects for one, _ in shelf.entries.values() if one.corrects}
    for page in _pages(sorted(targets - shelf.lines.keys() - shelf.entries.keys())):
        query = select(LINE).where(LINE.c.site == site, LINE.c.line_id.in_(page))
        _take_elsewhere(connection, site, query, shelf)


def _take_elsewhere(connection: Connection, site: str, query: Select[Any], shelf: _Shelf) -> None:
    days = connection.execute(query.with_only_columns(LINE.c.day).distinct()).scalars().all()
    if days:
        whole = whole_readings(connection, site, min(days), max(days))
        _take_lines(connection, query, shelf, whole)


def _take_lines(
    connection: Connection, query: Select[Any], shelf: _Shelf, whole: dict[date, Any]
) -> None:
    for row in connection.execute(query):
        if whole.get(row.day) != row.read_at:
            continue
        # A line that was moved to another day is in two readings until both days are read anew.
        before = shelf.lines.get(row.line_id)
        if before is None or before[1] < row.read_at:
            shelf.lines[row.line_id] = (RecordLine.model_validate_json(row.body), row.read_at)


def _read_corrections(connection: Connection, site: str, wanted: Any, shelf: _Shelf) -> None:
    query = select(CORRECTION.c.body).where(CORRECTION.c.site == site, wanted)
    for body in connection.execute(query).scalars():
        entry, currency = correction_expected(body)
        shelf.entries[entry.key] = (entry, currency)


def _read_studies(connection: Connection, site: str, studies: Sequence[str], shelf: _Shelf) -> None:
    for page in _pages([study for study in studies if study not in shelf.imaged]):
        rows = connection.execute(
            select(STUDY.c.snapshot, STUDY.c.assessment).where(
                STUDY.c.site == site, STUDY.c.study_instance_uid.in_(page)
            )
        )
        for row in rows:
            if row.snapshot is not None and row.assessment is not None:
                _take_study(row.snapshot, row.assessment, shelf)


def _take_study(snapshot: str, assessment: str, shelf: _Shelf) -> None:
    charges = ChargesAssessed.model_validate_json(snapshot)
    assessed = json.loads(assessment)
    shelf.imaged[charges.study_instance_uid] = (imaged_of(charges, assessed), charges.currency)
    for entry in expected_of(charges):
        shelf.entries[entry.key] = (entry, charges.currency)


def imaged_of(charges: ChargesAssessed, assessed: dict[str, Any]) -> Imaged:
    """Say what a study costs and which of its images are charged, or not and why."""
    return Imaged(
        charges.study_instance_uid,
        date.fromisoformat(assessed["day"]),
        charges.total,
        charges.due,
        frozenset(image["sop_instance_uid"] for image in assessed["images"]),
        frozenset(image for line in charges.lines for image in line.images),
        frozenset(one.about for one in charges.not_charged),
    )


def expected_of(charges: ChargesAssessed) -> Iterator[Expected]:
    """Give what the record should hold for a study: each entry of its ledger."""
    supported = {image for line in charges.lines for image in line.images}
    stands = {entry.posting_key for entry in standing(charges.ledger)}
    for entry in charges.ledger:
        yield Expected(
            key=entry.posting_key,
            study=charges.study_instance_uid,
            patient=entry.patient_id,
            day=entry.service_day,
            code=entry.code,
            quantity=entry.quantity,
            amount=entry.signed_amount,
            images=entry.images,
            reverses=entry.reverses if entry.type is EntryType.CREDIT else None,
            supported=entry.posting_key not in stands or supported.issuperset(entry.images),
        )


def held_of(line: RecordLine) -> Held:
    return Held(
        line_id=line.line_id,
        key=line.posting_key,
        patient=line.patient_id,
        day=line.service_day,
        code=line.code,
        quantity=line.quantity,
        amount=line.amount,
        entered_by=line.entered_by,
        entered_on=line.entered_at.date() if line.entered_at is not None else None,
        edited=line.edited,
    )


def _answers(connection: Connection, site: str, keys: Iterable[str]) -> _Answers:
    told: _Answers = {}
    for page in _pages(sorted(keys)):
        rows = connection.execute(
            select(ANSWER).where(ANSWER.c.site == site, ANSWER.c.posting_key.in_(page))
        )
        told |= {
            row.posting_key: (PostingOutcome(row.outcome), row.words, row.answered_at)
            for row in rows
        }
    return told


def _assigned(connection: Connection, site: str) -> dict[str, str]:
    rows = connection.execute(
        select(EFFECT.c.line_id, EFFECT.c.posting_key)
        .where(EFFECT.c.site == site, EFFECT.c.line_id.is_not(None))
        .order_by(EFFECT.c.decided_at, EFFECT.c.exception_id)
    )
    return {row.line_id: row.posting_key for row in rows}


def _by_currency(
    site: str,
    shelf: _Shelf,
    answers: _Answers,
    assigned: dict[str, str],
) -> list[LoadedBooks]:
    expected: dict[str, list[Expected]] = defaultdict(list)
    held: dict[str, list[Held]] = defaultdict(list)
    imaged: dict[str, list[Imaged]] = defaultdict(list)
    for entry, currency in shelf.entries.values():
        outcome, words, at = answers.get(entry.key, (None, None, None))
        # A charge that the record rejected and the credit of it come to nothing: it holds neither.
        if outcome is not PostingOutcome.WITHDRAWN:
            state = Posted.WAITING if outcome is None else Posted(outcome.value)
            accepted_at = at if state is Posted.ACCEPTED else None
            told = entry._replace(state=state, words=words, accepted_at=accepted_at)
            expected[currency].append(told)
    for line, _ in shelf.lines.values():
        held[line.currency].append(held_of(line))
    for study, currency in shelf.imaged.values():
        imaged[currency].append(study)
    return [
        LoadedBooks(
            SiteBooks(site, currency, tuple(expected[currency]), tuple(held[currency]), assigned),
            tuple(imaged[currency]),
        )
        for currency in sorted(expected.keys() | held.keys() | imaged.keys())
    ]


def _pages(keys: Sequence[str]) -> Iterator[Sequence[str]]:
    for start in range(0, len(keys), _AT_ONCE):
        yield keys[start : start + _AT_ONCE]
