"""Charges and notes as HL7 v2.5.1 messages: ``DFT^P03``, ``ORU^R01`` and ``MDM^T02``. Pure.

Fields and tables by chapters 2, 6, 7 and 9 (from memory); the tests hold every message against
hl7apy's strict check at 2.5.1 and read it with python-hl7. FT1-2 holds 12 characters, so it
carries a short id of the posting key, and the whole key stands in an OBX of the financial group.
No patient name is known here: PID-5 says so by name type U (table 0200).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from schemas.conclusions import EntryType, NoteWritten
from schemas.mappings.record_code import RecordCode, Table
from services.records.adapters.hl7_options import Hl7Options, Mode
from services.records.adapters.hl7_text import (
    CODECS,
    SEPARATORS,
    escaped,
    formatted,
    joined,
    moment,
    segment,
    short_id,
    shortened,
)
from services.records.adapters.own_words import own_words
from services.records.port import ChargePosting, NotePosting, NoteStatus
from services.records.unmapped import coded

VERSION: Final = "2.5.1"
_NAMESPACE: Final = "GOMPHOSIS"
"""Whose numbers ours are (EI.2)."""
_LOCAL: Final = "L"
"""Codes that the two sides agree on (table 0396)."""
CONTROL_ID_LENGTH: Final = 20
_TRANSACTION_ID_LENGTH: Final = 12
_TYPES: Final = {EntryType.CHARGE: "CG", EntryType.CREDIT: "CD"}
_STATUSES: Final = {
    NoteStatus.PRELIMINARY: "P",
    NoteStatus.FINAL: "F",
    NoteStatus.APPENDED: "C",
}
"""Table 0123 for OBR-25 and 0085 for OBX-11: the addended text takes the place of the final."""
_LONGEST_ST: Final = 199
"""Characters that a component of type ST holds (hl7apy's bound at 2.5.1)."""
_PIECE: Final = 10_000
"""Characters; escaped they stay below the 65,536 of FT (section 2.A.31; from memory)."""
_OF_CHARGE: Final = {Table.VIEWS: "view", Table.TEETH: "tooth"}
_OF_DOCUMENT: Final = {Table.PLANS: "plan", **_OF_CHARGE}
_SYSTEMS: Final = {"http://loinc.org": "LN"}
"""Names of table 0396 as hl7apy lists it at 2.5.1; SNOMED CT has none there, and goes as local."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message but for its moment. The same posting always has the same control id.

    A record that has taken the message must know it again by MSH-10 when it comes twice.
    ``content`` is what the id is of: the posting in our own terms, so that a codes file that is
    mended between two tries does not make another message of it.
    """

    kind: str
    event: str | None
    facility: str
    content: tuple[object, ...]
    body: tuple[str, ...]

    def control_id(self, turn: int = 0) -> str:
        """Give MSH-10; ``turn`` counts how often the record has refused this content."""
        return short_id(repr((self.kind, *map(str, self.content), turn)), CONTROL_ID_LENGTH)

    def written(self, options: Hl7Options, at: datetime, turn: int = 0) -> bytes:
        """Write the message (UnicodeEncodeError where the character set lacks a character)."""
        lines = [header(options, self.kind, self.facility, self.control_id(turn), at)]
        if self.event is not None:
            lines.append(segment("EVN", {1: self.event, 2: moment(at)}))
        return ("\r".join([*lines, *self.body]) + "\r").encode(CODECS[options.character_set])


def header(
    options: Hl7Options,
    kind: str,
    facility: str,
    control_id: str,
    at: datetime,
    *,
    ask: bool = True,
) -> str:
    """Write MSH; with ``ask`` it says which answers we want."""
    fields = {
        2: SEPARATORS[1:],
        3: escaped(options.sending_application),
        4: escaped(facility),
        5: escaped(options.receiving_application),
        6: escaped(options.receiving_facility),
        7: moment(at),
        9: kind,
        10: control_id,
        11: options.processing_id,
        12: VERSION,
        18: options.character_set,
    }
    if not ask:
        fields |= {15: "NE", 16: "NE"}
    elif options.mode is not Mode.ORIGINAL:
        fields |= {15: "AL", 16: "AL" if options.mode is Mode.ENHANCED else "NE"}
    return segment("MSH", fields)


def transaction_id(posting_key: str) -> str:
    """Give FT1-2 of a posting key."""
    return short_id(posting_key, _TRANSACTION_ID_LENGTH)


def note_number(posting: NotePosting) -> str:
    """Give the unique number of a note's revision: OBR-20 and TXA-12."""
    return short_id(posting.key, CONTROL_ID_LENGTH)


def charge_message(posting: ChargePosting, code: str, options: Hl7Options) -> Outgoing:
    """Write a charge or credit as ``DFT^P03``; ``code`` is the record's."""
    entry = posting.entry
    codes = coded(posting, options.codes)
    study = escaped(posting.study_instance_uid)
    ft1 = {
        1: "1",
        2: transaction_id(posting.key),
        4: f"{entry.service_day:%Y%m%d}",
        5: f"{posting.posting_day:%Y%m%d}",
        6: _TYPES[entry.type],
        7: joined(escaped(code), shortened(entry.description, _LONGEST_ST), _LOCAL),
        10: str(entry.quantity),
        11: joined(str(entry.amount), escaped(posting.currency), by="&"),
        13: _coded_one(codes.get(Table.DEPARTMENTS, {}), Table.DEPARTMENTS),
        23: joined(study, _NAMESPACE),
        25: _coded_one(codes.get(Table.PLANS, {}), Table.PLANS),
    }
    named = {"posting-key": posting.key}
    if entry.reverses is not None:
        named["reverses"] = entry.reverses
    pid = _pid(posting.patient_id, posting.account, options, _species(codes))
    lines = [pid, segment("FT1", ft1)]
    if posting.accession_number:
        order = {1: "RE", 2: escaped(posting.accession_number), 3: joined(study, _NAMESPACE)}
        lines.append(segment("ORC", order))
    for number, (name, value) in enumerate(named.items(), 1):
        fields = {1: str(number), 2: "ST", 3: joined(name, "", _LOCAL)}
        lines.append(segment("OBX", fields | {5: escaped(value), 11: "F"}))
    lines += _shown(codes, len(named) + 1)
    content = (
        *(posting.key, posting.site, posting.patient_id, posting.study_instance_uid),
        *(posting.account, posting.accession_number, posting.currency, posting.posting_day),
        *(entry.type, entry.reverses, entry.code, entry.description, entry.quantity),
        *(entry.amount, entry.service_day),
    )
    facility = _facility(posting.site, options)
    return Outgoing("DFT^P03^DFT_P03", "P03", facility, content, tuple(lines))


def report_message(posting: NotePosting, options: Hl7Options) -> Outgoing:
    """Write a note's text as ``ORU^R01``."""
    note, status = posting.note, _STATUSES[posting.status]
    codes = coded(posting, options.codes)
    obr = {
        1: "1",
        2: escaped(note.accession_number or ""),
        3: joined(escaped(note.study_instance_uid), _NAMESPACE),
        4: _note_code(options),
        20: note_number(posting),
        22: moment(note.signed_at) if note.signed_at else "",
        25: status,
        44: _coded_one(codes.get(Table.PLANS, {}), Table.PLANS),
    }
    text = list(_observations(note, status, options))
    lines = [
        _pid(note.patient_id, None, options, _species(codes)),
        segment("OBR", obr),
        *text,
        *_shown(codes, len(text) + 1, status=status),
    ]
    facility = _facility(posting.site, options)
    return Outgoing("ORU^R01^ORU_R01", None, facility, _content(posting), tuple(lines))


def document_message(posting: NotePosting, options: Hl7Options) -> Outgoing:
    """Write a signed note as ``MDM^T02``: authenticated (AU, table 0271), available (AV, 0273).

    Each revision is a document of its own; TXA-15 is the study, by which they belong together.
    Whether the signature is a legal one (LA) is for the site's law, so it is not claimed.
    """
    note = posting.note
    last = note.addenda[-1] if note.addenda else None
    signer, at = (last.signer, last.signed_at) if last else (note.signer, note.signed_at)
    person = _person(signer, options)
    time = moment(at) if at else ""
    codes = coded(posting, options.codes)
    department = codes.get(Table.DEPARTMENTS, {}).get(posting.site)
    txa = {
        1: "1",
        2: "DI",
        3: "FT",
        4: time,
        5: person,
        6: time,
        9: person,
        12: joined(note_number(posting), _NAMESPACE),
        14: escaped(note.accession_number or ""),
        15: joined(escaped(note.study_instance_uid), _NAMESPACE),
        17: "AU",
        19: "AV",
        22: "^".join([*[*person.split("^"), *[""] * 14][:14], time]) if person and time else "",
    }
    text = list(_observations(note, "F", options))
    lines = [
        _pid(note.patient_id, None, options, _species(codes)),
        # Table 0004: not applicable; we know of no visit. PV1-3.1, point of care: the department.
        segment("PV1", {1: "1", 2: "N", 3: escaped(department.code if department else "")}),
        segment("TXA", txa),
        *text,
        # MDM^T02 without an order has no OBR, so the procedure is an observation as well.
        *_shown(codes, len(text) + 1, _OF_DOCUMENT),
    ]
    facility = _facility(posting.site, options)
    return Outgoing("MDM^T02^MDM_T02", "T02", facility, _content(posting), tuple(lines))


def _content(posting: NotePosting) -> tuple[object, ...]:
    note = posting.note
    told = (posting.key, posting.site, note.patient_id, note.accession_number, posting.status)
    return (*told, note.signer, note.signed_at, note.text)


def _observations(note: NoteWritten, status: str, options: Hl7Options) -> Iterator[str]:
    """Write the text, a long one in pieces that follow each other without a gap."""
    text = note.text.replace("\r\n", "\n")
    pieces = [text[at : at + _PIECE] for at in range(0, len(text), _PIECE)] or [""]
    person = _person(note.signer, options)
    for number, piece in enumerate(pieces, 1):
        fields = {1: str(number), 2: "FT", 3: _note_code(options), 4: str(number)}
        yield segment("OBX", fields | {5: formatted(piece), 11: status, 16: person})


def _shown(
    codes: dict[Table, dict[str, RecordCode]],
    first: int,
    told: Mapping[Table, str] = _OF_CHARGE,
    status: str = "F",
) -> Iterator[str]:
    """Write each view and tooth that images show as a coded observation."""
    shown = [
        (name, _ce(table, ours, its))
        for table, name in told.items()
        for ours, its in codes.get(table, {}).items()
    ]
    for number, (name, value) in enumerate(shown, first):
        fields = {1: str(number), 2: "CE", 3: joined(name, "", _LOCAL), 4: str(number)}
        yield segment("OBX", fields | {5: value, 11: status})


def _species(codes: dict[Table, dict[str, RecordCode]]) -> str:
    return _coded_one(codes.get(Table.SPECIES, {}), Table.SPECIES)


def _coded_one(codes: dict[str, RecordCode], table: Table) -> str:
    return next((_ce(table, ours, its) for ours, its in codes.items()), "")


def _ce(table: Table, ours: str, its: RecordCode) -> str:
    """Write the record's code, and ours in the place of the alternate one (CE.4 to CE.6)."""
    system = _SYSTEMS.get(its.system or "", _LOCAL)
    told = (escaped(its.code), shortened(its.display or "", _LONGEST_ST), system)
    return joined(*told, escaped(ours), escaped(own_words(table, ours)), _LOCAL)


def _pid(patient_id: str, account: str | None, options: Hl7Options, species: str = "") -> str:
    fields = {
        1: "1",
        3: joined(escaped(patient_id), "", "", escaped(options.patient_authority)),
        5: "^^^^^^U",
        18: escaped(account or ""),
        35: species,
    }
    return segment("PID", fields)


def _facility(site: str, options: Hl7Options) -> str:
    return options.codes.sites.get(site, site)


def _note_code(options: Hl7Options) -> str:
    told = options.codes.note_code
    return joined(escaped(told.code), escaped(told.display), _SYSTEMS.get(told.system, _LOCAL))


def _person(signer: str | None, options: Hl7Options) -> str:
    """Write who signed (XCN and PPN begin alike): the record's id, or our name as a name."""
    if signer is None:
        return ""
    known = options.codes.staff.get(signer)
    return joined(escaped(known or ""), "" if known else escaped(signer))
