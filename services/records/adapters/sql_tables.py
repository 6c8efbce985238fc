"""The tables between us and a record that takes SQL: one place for their columns and rights.

They stand in a database of the record's side. ``gomphosis record-tables`` prints them as SQL, with
``RULES`` before them.
"""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Date,
    Identity,
    Index,
    Integer,
    MetaData,
    Numeric,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from services.records.adapters.sql_types import Exact, Moment, now_there

STAGING: Final = MetaData()

RULES: Final = """\
The tables between gomphosis and a patient record. Who writes which stands beside each.

gomphosis adds rows to gomphosis_charge and gomphosis_note. The record's own job takes up what has
no answer to its turn yet, in this order:

    SELECT c.* FROM gomphosis_charge c WHERE NOT EXISTS (
        SELECT 1 FROM gomphosis_answer a WHERE a.posting_key = c.posting_key AND a.turn = c.turn
    ) ORDER BY c.sequence;

For each row it does two things in one transaction: it books the line, so that it shows in
gomphosis_line with the posting_key, and it adds its answer to gomphosis_answer with the row's
posting_key and turn. A posting_key that it has booked already it only answers: a row may be
offered again. A later row of a patient must not be booked before an earlier one is answered. Do
not go by the highest sequence seen: rows may be committed in another order.

An answer is whole with outcome 'accepted' and a reference, or 'rejected' and words; one that is not
whole after a minute goes to a person. A later answer outdoes an earlier one. When a person sends a
rejected row out again its turn rises.

The record adds rows to gomphosis_order and gomphosis_patient; a change is a new row. gomphosis
sets taken_at once it has a row, and fault to say why one could not be used: add it anew, mended.

gomphosis_line holds the invoices as they stand now, gomphosis_closed_period the closed books; both
are only read. Amounts are decimal numbers. Moments have their zone; in SQLite they are ISO 8601
text with an offset, such as 2026-03-02T08:00:00+01:00, and amounts are text, such as 38.00. A NUL
character in a text is written ␀0, and ␀ itself ␀1.
"""
"""What the record's side has to know and to do."""

# Twice what the contracts allow, since every character might be escaped.
_KEY: Final = 320
_SHORT: Final = 128


def _row_number(name: str, words: str) -> Column[int]:
    kind = BigInteger().with_variant(Integer, "sqlite")
    return Column(name, kind, Identity(), primary_key=True, comment=words)


def _text(name: str, words: str, *, length: int = _SHORT, needed: bool = True) -> Column[str]:
    return Column(name, String(length), nullable=not needed, comment=words)


def _long(name: str, words: str, *, needed: bool = True) -> Column[str]:
    return Column(name, Text, nullable=not needed, comment=words)


def _number(name: str, words: str, *, default: str | None = None) -> Column[int]:
    given = text(default) if default else None
    return Column(name, Integer, nullable=False, server_default=given, comment=words)


def _exact(name: str, words: str, *, needed: bool = True) -> Column[Decimal]:
    return Column(name, Exact, nullable=not needed, comment=words)


def _flag(name: str, words: str) -> Column[bool]:
    return Column(name, Boolean, nullable=False, server_default=text("false"), comment=words)


def _moment(name: str, words: str, *, needed: bool = True, now: bool = False) -> Column[datetime]:
    given = now_there() if now else None
    return Column(name, Moment, nullable=not needed, server_default=given, comment=words)


def _taken() -> tuple[Column[datetime], Column[str]]:
    return (
        _moment("taken_at", "set by gomphosis once the row is durable there", needed=False),
        _long("fault", "set by gomphosis: why the row could not be used", needed=False),
    )


def _offered(table: str) -> tuple[Column[int] | Column[str] | UniqueConstraint, ...]:
    return (
        _row_number("sequence", "order of posting; a patient's rows are to be taken by it"),
        _text("posting_key", "gomphosis' own key of the posting; once for ever", length=_KEY),
        _number("turn", "how often it was offered: rises when a person sends it again"),
        _text("site", "the site, as gomphosis names it"),
        _text("record_site", "the site, as the record names it", needed=False),
        _long("record_codes", "JSON: by table, our codes and the record's", needed=False),
        _text("patient_id", "the patient, by the record's id"),
        _text("study_instance_uid", "the imaging study (DICOM)"),
        _text("accession_number", "the order's accession number", needed=False),
        UniqueConstraint("posting_key", name=f"uq_{table}_posting_key"),
    )


CHARGE: Final = Table(
    "gomphosis_charge",
    STAGING,
    *_offered("gomphosis_charge"),
    _text("type", "charge or credit"),
    _text("account", "the account to charge", needed=False),
    _text("code", "what is charged, as gomphosis' tariff codes it"),
    _text("record_code", "what is charged, as the record codes it", needed=False),
    _long("description", "what is charged, in words"),
    _number("quantity", "how many, 1 or more"),
    _exact("amount", "the whole line's amount, never negative: see type"),
    _text("currency", "ISO 4217 code", length=3),
    Column("service_day", Date, nullable=False, comment="the day of the work"),
    Column("posting_day", Date, nullable=False, comment="the day to book it under"),
    _text("reverses", "of a credit: the posting_key that it takes back", length=_KEY, needed=False),
    _text("replaces", "the reversed posting_key in whose place it is", length=_KEY, needed=False),
    _text(
        "corrects",
        "the line_id that it puts right, or charge/<sequence>",
        length=2 * 200,
        needed=False,
    ),
    _long("reason", "why it is charged"),
    _exact("tax_percent", "rate of tax in per cent", needed=False),
    _exact("tax_amount", "the tax in it or on it, by the tariff", needed=False),
    _long("images", "SOP instance UIDs that it rests on, parted by spaces"),
    _text("content_sha256", "digest of the content, to find what was edited here", length=64),
    _moment("written_at", "when gomphosis wrote it", now=True),
    Index("ix_gomphosis_charge_study", "study_instance_uid"),
    Index("ix_gomphosis_charge_site_day", "site", "service_day"),
    comment="written by gomphosis: charges, credits and corrections; rows are only added",
    sqlite_autoincrement=True,
)

NOTE: Final = Table(
    "gomphosis_note",
    STAGING,
    *_offered("gomphosis_note"),
    _number("revision", "revision of the study's note; each is a row"),
    _text("status", "preliminary, final or appended (FHIR DiagnosticReport)"),
    _text("signer", "who signed, as gomphosis names them", needed=False),
    _text("record_signer", "who signed, as the record names them", needed=False),
    _moment("signed_at", "when it was signed", needed=False),
    _long("text", "the note as plain text"),
    _long("html", "the same note as an HTML document, to attach or show"),
    _text("content_sha256", "digest of the content, to find what was edited here", length=64),
    _moment("written_at", "when gomphosis wrote it", now=True),
    comment="written by gomphosis: each revision of a note; rows are only added",
    sqlite_autoincrement=True,
)

ANSWER: Final = Table(
    "gomphosis_answer",
    STAGING,
    _row_number("answer_id", "order of the answers; the last one counts"),
    _text("posting_key", "of the charge or note that is answered", length=_KEY, needed=False),
    _number("turn", "of the charge or note, as it stood when it was taken up", default="1"),
    _text("outcome", "accepted or rejected", needed=False),
    _long("reference", "of an accepted one: how the record names it", needed=False),
    _long("words", "of a rejected one: why, for a person", needed=False),
    _moment("answered_at", "when it was answered", now=True),
    *_taken(),
    Index("ix_gomphosis_answer_posting_key", "posting_key"),
    Index("ix_gomphosis_answer_taken_at", "taken_at"),
    comment="written by the record: its answers to charges and notes",
    sqlite_autoincrement=True,
)

ORDER: Final = Table(
    "gomphosis_order",
    STAGING,
    _row_number("offer_id", "order of telling"),
    _text("kind", "order_placed or order_cancelled"),
    _text("site", "gomphosis' name of the site, or the record's from the codes file"),
    _text("order_id", "the record's id of the order"),
    _number("revision", "rises with each change of the order", default="1"),
    _text("study_instance_uid", "DICOM UID that the images will carry", needed=False),
    _text("accession_number", "at most 16 characters", needed=False),
    _text("patient_id", "a row of gomphosis_patient has to be there", needed=False),
    _text("plan", "name of the planned series of views", needed=False),
    _text("room", "name of the room", needed=False),
    _moment("scheduled_at", "when it is planned", needed=False),
    _long("indication", "why it is ordered", needed=False),
    _text("ordered_by", "short name of who ordered it", needed=False),
    _text("account", "the account to charge", needed=False),
    _flag("training", "teaching or test: never charged"),
    _flag("referral", "another practice sent the animal"),
    _long("reason", "of a cancelled order: why", needed=False),
    _moment("told_at", "when the record knew it", now=True),
    *_taken(),
    Index("ix_gomphosis_order_taken_at", "taken_at"),
    comment="written by the record: orders and cancellations; a change is a new row",
    sqlite_autoincrement=True,
)

PATIENT: Final = Table(
    "gomphosis_patient",
    STAGING,
    _row_number("offer_id", "order of telling; a patient's last row counts"),
    _text("site", "gomphosis' name of the site, or the record's from the codes file"),
    _text("patient_id", "the record's id of the patient"),
    _text("name", "the animal's name"),
    _text("species", "dog or cat"),
    _text("breed", "in words", needed=False),
    _text("sex", "male, female or other (DICOM Patient's Sex)", needed=False),
    Column("neutered", Boolean, comment="whether it is neutered"),
    Column("born_on", Date, comment="the day of birth"),
    Column("weight", Numeric(9, 3).with_variant(Text(), "sqlite"), comment="as it was measured"),
    _text("weight_unit", "kg or lb", needed=False),
    _text("responsible_person", "whom the animal belongs to", needed=False),
    _moment("told_at", "when the record knew it", now=True),
    *_taken(),
    Index("ix_gomphosis_patient_patient_id", "patient_id"),
    Index("ix_gomphosis_patient_taken_at", "taken_at"),
    comment="written by the record: patients as it describes them; a change is a new row",
    sqlite_autoincrement=True,
)

LINE: Final = Table(
    "gomphosis_line",
    STAGING,
    Column("line_id", String(400), primary_key=True, comment="the record's own id of the line"),
    _text("posting_key", "of the gomphosis_charge it came from", length=_KEY, needed=False),
    _text("site", "gomphosis' name of the site, or the record's from the codes file"),
    _text("patient_id", "the record's id of the patient"),
    Column("service_day", Date, nullable=False, comment="the day of the work"),
    _text("code", "what is charged: the record's code or gomphosis'"),
    _number("quantity", "how many, 1 or more", default="1"),
    _exact("amount", "the line's amount; negative where it takes off"),
    _text("currency", "ISO 4217 code", length=3),
    _text("entered_by", "who entered it", needed=False),
    _moment("entered_at", "when it was entered", needed=False),
    _flag("edited", "it is not as it was entered first"),
    Index("ix_gomphosis_line_day", "service_day"),
    Index("ix_gomphosis_line_posting_key", "posting_key"),
    comment="kept by the record: every line of its invoices as it stands now; may be a view",
)

CLOSED_PERIOD: Final = Table(
    "gomphosis_closed_period",
    STAGING,
    Column("site", String(_SHORT), primary_key=True, comment="the site, or * for all"),
    Column("closed_through", Date, nullable=False, comment="the last day that is closed"),
    comment="kept by the record: up to which day its books are closed; may be a view",
)


@dataclass(frozen=True, slots=True)
class Rights:
    """What gomphosis' user has to be granted on a table: no more."""

    insert: bool = False
    update: tuple[str, ...] = ()

    @property
    def of_table(self) -> tuple[str, ...]:
        """The rights on the whole table; ``update`` names the columns of the third."""
        return ("SELECT", "INSERT") if self.insert else ("SELECT",)


_OFFERED_AGAIN: Final = ("turn", "record_site", "record_codes")
_TAKEN: Final = Rights(update=("taken_at", "fault"))

RIGHTS: Final[dict[str, Rights]] = {
    CHARGE.name: Rights(insert=True, update=(*_OFFERED_AGAIN, "record_code", "posting_day")),
    NOTE.name: Rights(insert=True, update=(*_OFFERED_AGAIN, "record_signer")),
    ANSWER.name: _TAKEN,
    ORDER.name: _TAKEN,
    PATIENT.name: _TAKEN,
    LINE.name: Rights(),
    CLOSED_PERIOD.name: Rights(),
}
"""By table. SELECT is wanted on all of them."""
