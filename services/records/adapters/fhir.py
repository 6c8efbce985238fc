"""A patient record that speaks FHIR R4 over HTTP.

Charges and credits become ChargeItems (``fhir_charge``), notes an ImagingStudy, a
DiagnosticReport and DocumentReferences (``fhir_note``). Each is made by conditional create under
our posting key as its identifier, so a repeated posting finds what the first one left. Patients
and orders are looked up by their identifiers; nothing is posted for a patient whom the record
does not know.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from threading import Lock
from typing import ClassVar

from schemas.conclusions import EntryType
from schemas.errors import InvalidInput
from schemas.facts import RecordLine
from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.fhir_bulk import create_charges, find_patients
from services.records.adapters.fhir_capability import Capability, read_capability
from services.records.adapters.fhir_charge import (
    COUNTED,
    charge_item,
    correction_item,
    held_line,
    record_line,
    same_posting,
    site_of,
)
from services.records.adapters.fhir_client import FhirRecordClient
from services.records.adapters.fhir_create import FhirRefusal, create, find
from services.records.adapters.fhir_lookup import Lookup
from services.records.adapters.fhir_names import (
    Names,
    Resource,
    key_value,
    reference_of,
)
from services.records.adapters.fhir_note import note_resources
from services.records.adapters.fhir_note_posting import post_note
from services.records.adapters.fhir_options import read_options
from services.records.adapters.fhir_periods import first_open_day, says_closed
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
    RecordRefused,
    Rejected,
    Unreadable,
    Verdict,
)

_CHARGE = "ChargeItem"
_CHARGE_REFERENCE = re.compile(r"ChargeItem/[A-Za-z0-9\-.]{1,64}", re.ASCII)
_PAGE = "100"


class FhirAdapter(PatientRecord):
    """Posts to one FHIR server. ``options``: see ``fhir_options.FhirOptions``."""

    NAME: ClassVar[str] = "fhir"

    def __init__(self, options: dict[str, str]) -> None:
        self._options = read_options(options)
        self._names = Names(self._options.namespace)
        self._client = FhirRecordClient(self._options)
        self._lookup = Lookup(self._client, self._options)
        self._lock = Lock()
        self._known: Capability | None = None
        self._settled: set[str] = set()

    @property
    def answers_within_s(self) -> float:
        """A conditional create need not see one that the server still works on."""
        return self._options.timeout_s

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        try:
            return self._put(posting, [])
        except FhirRefusal as refusal:
            return self._refused(refusal)

    def post_charges(self, postings: Sequence[ChargePosting]) -> Mapping[str, ChargeAnswer]:
        if not self._capable().batches:
            return {}
        system = self._options.patient_system
        patients = find_patients(self._client, system, [one.patient_id for one in postings])
        items = []
        for posting in postings:
            try:
                if (patient := patients.get(posting.patient_id)) is not None:
                    items.append(
                        self._item(posting, self._lookup.subject_of(patient, posting.patient_id))
                    )
            except FhirRefusal:
                continue  # posted alone, it is refused in words
        return create_charges(self._client, self._names, items) if items else {}

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        entry = posting.entry
        if entry.type is not EntryType.CREDIT or entry.reverses is None:
            return Rejected(f"{posting.key} is no credit that names the charge it reverses")
        lines = self.read_charges(study_instance_uid=posting.study_instance_uid)
        reason = why_not_reversed(lines, posting)
        if reason is not None:
            return Rejected(reason)
        charge = next(line for line in lines if line.posting_key == entry.reverses)
        try:
            return self._put(posting, [{"reference": charge.reference}])
        except FhirRefusal as refusal:
            return self._refused(refusal)

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        found = find(self._client, _CHARGE, self._names.posting_key, key_value(posting.key))
        if len(found) != 1 or found[0].get("status") not in COUNTED:
            return None  # several, or one taken out by hand: the posting itself tells a person
        return self._line(found[0])

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        if study_instance_uid is not None:
            value = key_value(study_instance_uid)
            found = find(self._client, _CHARGE, self._names.study, value)
        elif patient_id is not None:
            found = self._of_patient(patient_id)
        else:
            found = list(self._client.search(_CHARGE, _count=_PAGE))
        counted = [one for one in found if one.get("status") in COUNTED]
        ordered = sorted(counted, key=lambda one: str(one.get("enteredDate", "")))
        lines = [line for one in ordered if (line := self._line(one)) is not None]
        return [line for line in lines if patient_id in {None, line.patient_id}]

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        entry = posting.entry
        # The code may be one that a person entered there: then it is the record's own already.
        code = self._codes.charge(entry.code) or entry.code
        known = _CHARGE_REFERENCE.fullmatch(entry.corrects) is not None
        beside: list[Resource] = [{"reference": entry.corrects}] if known else []
        try:
            self._capable()
            subject = self._lookup.subject(entry.patient_id)
            now = datetime.now(UTC)
            item = correction_item(posting, self._names, self._codes, code, subject, beside, now)
            return self._create(item, posting.key)
        except FhirRefusal as refusal:
            return Rejected(str(refusal))

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        days = [f"ge{first.isoformat()}", f"le{last.isoformat()}"]
        patients: dict[str, str] = {}
        for item in self._client.search(_CHARGE, occurrence=days, _count=_PAGE):
            if item.get("status") not in COUNTED:
                continue
            if site_of(item, self._names, self._codes) not in {None, site}:
                continue
            try:
                line = record_line(
                    item,
                    self._names,
                    self._codes,
                    lambda told: self._lookup.patient_id(told, patients),
                )
            except InvalidInput as error:
                token_ = f"{reference_of(item)}@{item.get('meta')}"
                if token_ not in self._settled:
                    body = repr(item).encode()
                    yield Unreadable(token=token_, body=body, error=error, kind=_CHARGE)
                continue
            if first <= line.service_day <= last:
                yield line

    def post_note(self, posting: NotePosting) -> Answer:
        note = posting.note
        try:
            capability = self._capable()
            subject = self._lookup.subject(note.patient_id)
            order = self._lookup.order(note.accession_number)
            endpoint = self._options.imaging_endpoint
            made = note_resources(posting, self._names, self._codes, subject, order, endpoint)
            reference = post_note(
                self._client,
                self._names,
                posting,
                made,
                transactions=capability.transactions,
                updates_studies=capability.updates_studies,
            )
            return Accepted(reference)
        except FhirRefusal as refusal:
            return Rejected(str(refusal))

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterable[str]:
        return list(self._codes.unmapped(charges, signers, sites))

    def codes_file(self) -> CodesFile:
        return self._options.codes_file

    def check(self) -> Verdict:
        where = f"FHIR server {self._options.base_url}"
        try:
            found = self._ask()
        except RecordError as error:
            return Verdict(False, str(error))
        if found.wanting:
            return Verdict(False, f"{where} ({found.software}) lacks: {'; '.join(found.wanting)}")
        way = "in transactions" if found.transactions else "one resource after another"
        bare = "" if self._client.encrypted else "; the connection is not encrypted: use https"
        return Verdict(True, f"{where} ({found.software}): reached; notes go {way}{bare}")

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        # In memory only: after a restart a line that cannot be read is kept for triage again.
        self._settled.add(item.token)

    def close(self) -> None:
        self._client.close()

    @property
    def _codes(self) -> PostedCodes:
        return self._options.codes

    def _ask(self) -> Capability:
        reply = self._client.read("metadata")
        if reply is None:
            raise RecordRefused(
                f"FHIR server: expected a CapabilityStatement, {self._options.base_url}/metadata "
                "is not there"
            )
        return read_capability(reply.content, orders=bool(self._options.order_system))

    def _capable(self) -> Capability:
        """Ask once what the server can do; nothing is posted to one that could double it."""
        with self._lock:
            if self._known is None:
                found = self._ask()
                if found.wanting:
                    raise RecordRefused(f"FHIR server lacks: {'; '.join(found.wanting)}")
                self._known = found
            return self._known

    def _put(self, posting: ChargePosting, beside: list[Resource]) -> Answer:
        self._capable()
        item = self._item(posting, self._lookup.subject(posting.patient_id), beside)
        return self._create(item, posting.key)

    def _refused(self, refusal: FhirRefusal) -> ChargeAnswer:
        told, words = self._codes.closed_period, str(refusal)
        if told is None or not says_closed(refusal.outcome, told):
            return Rejected(words)
        today = datetime.now(UTC).date()
        return PeriodClosed(first_open_day(refusal.outcome, told, today), words)

    def _item(
        self, posting: ChargePosting, subject: Resource, beside: Sequence[Resource] = ()
    ) -> Resource:
        code = self._codes.charge(posting.entry.code)
        if code is None:
            raise FhirRefusal(
                f"charge code {posting.entry.code} has no code of the record: add it to 'charges' "
                "of the codes file, then release the charges again"
            )
        order = self._lookup.order(posting.accession_number)
        others = [*beside, order] if order is not None else [*beside]
        now = datetime.now(UTC)
        return charge_item(posting, self._names, self._codes, code, subject, others, now)

    def _create(self, item: Resource, key: str) -> Answer:
        made = create(self._client, _CHARGE, item, self._names.posting_key, key_value(key))
        if made.held is None:
            return Accepted(made.reference)
        other = same_posting(made.held, item, self._names)
        if other is not None:
            return Rejected(
                f"{made.reference} {other} under the key {key}; "
                "nothing was changed, a person has to compare the two"
            )
        held = self._line(made.held)
        return Accepted(made.reference, held.posting_day if held else None)

    def _line(self, item: Resource) -> HeldLine | None:
        try:
            return held_line(item, self._names)
        except (InvalidInput, KeyError, ValueError) as error:
            raise RecordRefused(
                f"{reference_of(item)} cannot be read as we wrote it ({error}); put it right there"
            ) from error

    def _of_patient(self, patient_id: str) -> list[Resource]:
        try:
            subject = self._lookup.subject(patient_id)
        except FhirRefusal:
            return []  # the record knows no such patient, so it holds nothing of theirs
        reference = str(subject["reference"])
        found = self._client.search(_CHARGE, patient=reference, _count=_PAGE)
        return list({reference_of(one): one for one in found}.values())
