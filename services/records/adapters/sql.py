"""A patient record that takes postings by tables in a database of its side.

Tables, columns and who writes what: ``sql_tables``; ``gomphosis record-tables`` prints them. A
posting counts as held once its row is committed; what the record's own job says about it comes as
a late answer. What the job rejected goes out again by a rise of the row's ``turn``, once a person
has released it.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from typing import ClassVar

from sqlalchemy import Connection, Table, and_, true, update

from schemas.conclusions import EntryType
from schemas.facts import RecordLine
from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters import sql_answers, sql_check, sql_lines, sql_staging
from services.records.adapters.sql_database import RecordDatabase, StagingRefusal
from services.records.adapters.sql_offers import read_offers
from services.records.adapters.sql_options import read_options
from services.records.adapters.sql_rows import (
    RowValues,
    charge_row,
    correction_row,
    digest_of,
    held_line,
    kept,
    note_row,
)
from services.records.adapters.sql_staging import Staged
from services.records.adapters.sql_tables import ANSWER, CHARGE, NOTE, ORDER, PATIENT
from services.records.adapters.sql_types import now_there
from services.records.codes_file import CodesFile
from services.records.held import why_not_reversed
from services.records.port import (
    Accepted,
    Answer,
    ChargeAnswer,
    ChargePosting,
    CorrectionPosting,
    HeldLine,
    LateAnswer,
    NotePosting,
    OrderOffer,
    PatientRecord,
    PeriodClosed,
    RecordError,
    RecordUnavailable,
    Rejected,
    Unreadable,
    Verdict,
)

_NUMBERED = {
    ANSWER.name: ANSWER.c.answer_id,
    ORDER.name: ORDER.c.offer_id,
    PATIENT.name: PATIENT.c.offer_id,
}


class SqlAdapter(PatientRecord):
    """Posts to the tables of one database. ``options``: see ``sql_options.SqlOptions``."""

    NAME: ClassVar[str] = "sql"

    def __init__(self, options: dict[str, str]) -> None:
        self._options = read_options(options)
        self._database = RecordDatabase(self._options)
        self._settled: set[str] = set()

    @property
    def answers_within_s(self) -> float:
        """The table's key lets no second row in."""
        return 0.0

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._charge(posting, lambda _connection: None)

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        entry = posting.entry
        if entry.type is not EntryType.CREDIT or entry.reverses is None:
            return Rejected(f"{posting.key} is no credit that names the charge it reverses")
        return self._charge(posting, lambda connection: _why_not_reversed(connection, posting))

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        with self._database.reading() as connection:
            staged = sql_staging.find(connection, CHARGE, kept(posting.key))
        return _line(staged) if staged is not None and staged.held else None

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        condition = and_(
            true()
            if study_instance_uid is None
            else CHARGE.c.study_instance_uid == kept(study_instance_uid),
            true() if patient_id is None else CHARGE.c.patient_id == kept(patient_id),
        )
        with self._database.reading() as connection:
            found = sql_staging.read(connection, CHARGE, condition)
        return [_line(staged) for staged in found if staged.held]

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        return _answer(self._keep(CHARGE, correction_row(posting, self.codes_file())))

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        pickup = timedelta(hours=self._options.pickup_hours)
        with self._database.reading() as connection:
            found = list(sql_lines.read_lines(connection, self._codes, site, first, last, pickup))
        return [
            one
            for one in found
            if not isinstance(one, Unreadable) or _with_content(one) not in self._settled
        ]

    def post_note(self, posting: NotePosting) -> Answer:
        return _answer(self._keep(NOTE, note_row(posting, self.codes_file())))

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterable[str]:
        return list(self._codes.unmapped(charges, signers, sites))

    def codes_file(self) -> CodesFile:
        return self._options.codes_file

    def read_orders(self) -> Iterable[OrderOffer | Unreadable]:
        with self._database.reading() as connection:
            return list(read_offers(connection, self._codes))

    def read_answers(self) -> Iterable[LateAnswer | Unreadable]:
        with self._database.reading() as connection:
            items, late = sql_answers.read_answers(connection)
        if late:
            with self._database.writing() as connection:
                sql_answers.set_aside(connection, late)
        return items

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        name, _, number = item.token.partition(":")
        if name not in _NUMBERED and isinstance(item, Unreadable):
            # In memory only, for a line may be a view's; after a restart it is told again.
            self._settled.add(_with_content(item))
            return
        fault = kept(str(item.error)) if isinstance(item, Unreadable) else None
        column = _NUMBERED[name]
        with self._database.writing() as connection:
            connection.execute(
                update(column.table)
                .where(column == int(number))
                .values(taken_at=now_there(), fault=fault)
            )

    def check(self) -> Verdict:
        where = self._options.where
        try:
            with self._database.reading() as connection:
                missing = list(sql_check.what_is_missing(connection, self._options.schema))
                if missing:
                    hint = "'gomphosis record-tables' prints what is wanted"
                    return Verdict(False, f"{where} lacks {', '.join(missing)}: {hint}")
                encrypted = sql_check.is_encrypted(connection)
                count, longest = sql_check.waiting(connection)
            with self._database.writing():
                pass
        except RecordError as error:
            return Verdict(False, str(error))
        hours = longest.total_seconds() / 3600
        waits = f"{count} rows wait for its job, the oldest for {hours:.1f} h" if count else ""
        words = "; ".join(filter(None, (f"{where}: reached, tables fit", waits)))
        bare = "" if encrypted else "; the connection is not encrypted: use TLS (sslmode)"
        return Verdict(hours <= self._options.pickup_hours, words + bare)

    def close(self) -> None:
        self._database.close()

    @property
    def _codes(self) -> PostedCodes:
        return self._options.codes

    def _charge(
        self, posting: ChargePosting, why_not: Callable[[Connection], str | None]
    ) -> ChargeAnswer:
        code = self._codes.charge(posting.entry.code)
        if code is None:
            return Rejected(
                f"charge code {posting.entry.code} has no code of the record: add it to 'charges' "
                "of the codes file, then release the charges again"
            )
        row = charge_row(posting, self.codes_file(), kept(code))

        def first(connection: Connection) -> Rejected | PeriodClosed | None:
            reason = why_not(connection)
            return Rejected(reason) if reason else _closed(connection, row)

        return self._keep(CHARGE, row, first)

    def _keep(
        self,
        table: Table,
        row: RowValues,
        first: Callable[[Connection], Rejected | PeriodClosed | None] = lambda _connection: None,
    ) -> ChargeAnswer:
        """Keep a row under its key, or find that it is kept already; ``first`` may stop a new one.

        What counts is the commit: an answer that never comes from there is RecordUnavailable.
        """
        key = row["posting_key"]
        try:
            with self._database.posting() as connection:
                staged = sql_staging.find(connection, table, key)
                if staged is None:
                    stopped = first(connection)
                    if stopped is not None:
                        return stopped
                    reference = sql_staging.add(connection, table, row)
                    if reference is not None:
                        return Accepted(reference)
                    staged = sql_staging.find(connection, table, key)
                if staged is None:
                    raise RecordUnavailable(f"{self._options.where}: the row of {key} went away")
                return _again(connection, table, staged, row)
        except StagingRefusal as refusal:
            return Rejected(str(refusal))


def _again(connection: Connection, table: Table, staged: Staged, row: RowValues) -> ChargeAnswer:
    """Answer for a row that is there already, or offer it again where the record's no is known."""
    if digest_of(staged.row) != row["content_sha256"]:
        return Rejected(
            f"{staged.reference} is held with other content under the key {row['posting_key']}; "
            "nothing was changed, a person has to compare the two"
        )
    if staged.held:
        return Accepted(staged.reference, staged.row.get("posting_day"))
    if staged.answer is not None and not staged.answer.taken:
        return Rejected(staged.answer.words or "")
    closed = _closed(connection, row) if table is CHARGE else None
    if closed is not None:
        return closed
    sql_staging.offer_again(connection, table, staged, row)
    return Accepted(sql_staging.reference_of(table, staged.row["sequence"]), row.get("posting_day"))


def _answer(told: ChargeAnswer) -> Answer:
    """Give the answer to what has no posting day that could be closed."""
    return Rejected(told.words) if isinstance(told, PeriodClosed) else told


def _closed(connection: Connection, row: RowValues) -> PeriodClosed | None:
    if row.get("corrects") is not None:
        return None  # a person decided it, and knows of what day the line is
    closed = sql_staging.closed_through(connection, row["site"], row["record_site"])
    if closed is None or row["posting_day"] > closed:
        return None
    return PeriodClosed(closed + timedelta(days=1), f"the books are closed through {closed}")


def _why_not_reversed(connection: Connection, posting: ChargePosting) -> str | None:
    """Tell why a credit may not stand in the record, if so."""
    study = CHARGE.c.study_instance_uid == kept(posting.study_instance_uid)
    lines = [_line(one) for one in sql_staging.read(connection, CHARGE, study) if one.held]
    return why_not_reversed(lines, posting)


def _line(staged: Staged) -> HeldLine:
    return held_line(staged.row, staged.reference)


def _with_content(item: Unreadable) -> str:
    return f"{item.token} {item.body.decode()}"
