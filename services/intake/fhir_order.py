"""A FHIR R4 ServiceRequest read into an order. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from schemas.facts import OrderCancelled, OrderPlaced
from schemas.group import Site
from schemas.mappings.record_codes import RecordCodes
from services.intake import order_identity, record_words
from services.intake.fhir_json import (
    FhirRefused,
    Resource,
    last_updated,
    moment,
    part,
    parts,
    text,
    words_of,
)
from services.intake.fhir_patient import read_patient

PLACING: Final = frozenset({"active", "on-hold"})
CANCELLING: Final = frozenset({"revoked", "entered-in-error"})
HEARD_ONLY: Final = frozenset({"draft", "completed"})
"""ServiceRequest.status (R4 value set request-status; run: fhir.resources). An order on hold
may still be done, so it stays on the worklist; a draft is none yet, a completed one no more."""

ORDERING: Final = frozenset({"order", "original-order", "filler-order", "instance-order"})
"""ServiceRequest.intent that asks for something to be done; plans and proposals do not."""

_DICOM_UID: Final = "urn:dicom:uid"
_OID_PREFIX: Final = "urn:oid:"


@dataclass(frozen=True, slots=True)
class Around:
    """What an order refers to, as far as it was found."""

    patient: Resource | None = None
    encounter: Resource | None = None
    observations: Sequence[Resource] = ()

    def changed_at(self, order: Resource) -> datetime:
        """Give when this state came to be: the newest version of all that it is made of.

        A record's clock runs forward, so any change of any part moves it. A version's own
        number would not do: a changed weight leaves the order's version as it was.
        """
        own = last_updated(order)
        if own is None:
            raise FhirRefused("ServiceRequest.meta.lastUpdated", "", "when this version was made")
        others = [self.patient, self.encounter, *self.observations]
        times = [last_updated(one) for one in others if one is not None]
        return max([own, *(at for at in times if at is not None)])


def kind_of_order(order: Resource) -> type[OrderPlaced] | type[OrderCancelled] | None:
    """Tell what an order's status and intent make of it; None for neither (FhirRefused)."""
    status = text(order.get("status"), "ServiceRequest.status")
    if status in CANCELLING:
        return OrderCancelled
    if status not in PLACING | HEARD_ONLY:
        known = ", ".join(sorted(PLACING | CANCELLING | HEARD_ONLY))
        raise FhirRefused("ServiceRequest.status", status, f"one of {known}")
    intent = text(order.get("intent"), "ServiceRequest.intent")
    return OrderPlaced if status in PLACING and intent in ORDERING else None


def read_cancelled(order: Resource, codes: RecordCodes) -> OrderCancelled:
    """Read a cancelled order (FhirRefused), or raise NotOurs."""
    path = "ServiceRequest.code"
    record_words.check_not_foreign(codes, path, words_of(order.get("code"), path))
    return OrderCancelled(order_id=_order_id(order, codes), reason=_reason_of_status(order))


def check_ours(order: Resource, codes: RecordCodes) -> str:
    """Give the plan of an order by its code (NotMapped), or raise NotOurs."""
    path = "ServiceRequest.code"
    told = words_of(order.get("code"), path)
    if not told:
        raise FhirRefused(path, "", "a code of what is ordered")
    return record_words.plan_of(codes, path, told)


def read_placed(order: Resource, around: Around, codes: RecordCodes, site: Site) -> OrderPlaced:
    """Read an order that is to be done.

    Raises FhirRefused or NotMapped with the FHIR path, or NotOurs.
    """
    plan = check_ours(order, codes)
    if around.patient is None:
        reference = part(order.get("subject"), "ServiceRequest.subject").get("reference", "")
        raise FhirRefused(
            "ServiceRequest.subject", reference, "a Patient that is contained or can be read"
        )
    order_id = _order_id(order, codes)
    changed_at = around.changed_at(order)
    return OrderPlaced(
        order_id=order_id,
        revision=order_identity.revision(changed_at),
        study_instance_uid=_study_uid(order) or order_identity.study_uid(site.name, order_id),
        accession_number=_accession_number(order) or order_identity.accession_number(order_id),
        patient=read_patient(around.patient, around.observations, codes),
        plan=plan,
        room=_room(order, around.encounter, codes, site),
        scheduled_at=_start(order, around.encounter, codes, site, changed_at),
        indication=_indication(order),
    )


def _identifiers(order: Resource) -> list[tuple[str, str, list[str]]]:
    """Give system, value and type codes of each identifier."""
    path = "ServiceRequest.identifier"
    return [
        (
            text(one.get("system"), f"{path}.system"),
            text(one.get("value"), f"{path}.value"),
            words_of(one.get("type"), f"{path}.type"),
        )
        for one in parts(order.get("identifier"), path)
        if one.get("value") and one.get("use") != "old"
    ]


def _order_id(order: Resource, codes: RecordCodes) -> str:
    """Give the placer's number: of type PLAC, of our systems, or the only one; else its id."""
    path = "ServiceRequest.identifier"
    found = [one for one in _identifiers(order) if one[0] != _DICOM_UID and "ACSN" not in one[2]]
    placer = [one for one in found if "PLAC" in one[2]]
    ours = [one for one in found if one[0] in codes.order_identifier_systems]
    values = {value for _, value, _ in ours or placer or found}
    if len(values) > 1:
        expected = "one identifier, one of type PLAC, or order_identifier_systems to choose by"
        raise FhirRefused(path, ", ".join(sorted(values)), expected)
    value = values.pop() if values else text(order.get("id"), "ServiceRequest.id")
    order_id = record_words.short_text(path, value)
    if order_id is None:
        raise FhirRefused(path, "", "an identifier or id")
    return order_id


def _study_uid(order: Resource) -> str | None:
    """Give the study's UID where the record chose one (identifier system urn:dicom:uid)."""
    for system, value, _ in _identifiers(order):
        if system == _DICOM_UID:
            uid = value.removeprefix(_OID_PREFIX)
            if not uid.replace(".", "0").isdecimal() or not uid.isascii() or len(uid) > 64:
                raise FhirRefused("ServiceRequest.identifier", value, "urn:oid: and a DICOM UID")
            return uid
    return None


def _accession_number(order: Resource) -> str | None:
    for _, value, types in _identifiers(order):
        if "ACSN" in types:
            longest = order_identity.LONGEST_ACCESSION_NUMBER
            if len(value) > longest:
                expected = f"an accession number of at most {longest} characters"
                raise FhirRefused("ServiceRequest.identifier", value, expected)
            return value
    return None


def _room(order: Resource, encounter: Resource | None, codes: RecordCodes, site: Site) -> str:
    """Map the order's location, else its encounter's; the first that is told counts."""
    path = "ServiceRequest.locationCode"
    words = [
        word for code in parts(order.get("locationCode"), path) for word in words_of(code, path)
    ]
    if words:
        return record_words.room_of(codes, site, path, words)
    path = "ServiceRequest.locationReference"
    words = _places(parts(order.get("locationReference"), path), path)
    if not words and encounter is not None:
        path = "Encounter.location.location"
        located = parts(encounter.get("location"), "Encounter.location")
        words = _places([part(one.get("location"), path) for one in located], path)
    return record_words.room_of(codes, site, path, words)


def _places(references: Sequence[Resource], path: str) -> list[str]:
    words = []
    for reference in references:
        identifier = part(reference.get("identifier"), f"{path}.identifier")
        words += [
            text(identifier.get("value"), f"{path}.identifier.value"),
            text(reference.get("reference"), f"{path}.reference"),
            text(reference.get("display"), f"{path}.display"),
        ]
    return [word for word in words if word]


def _start(
    order: Resource,
    encounter: Resource | None,
    codes: RecordCodes,
    site: Site,
    changed_at: datetime,
) -> datetime:
    """Find when it is planned: its own occurrence, else its encounter's period."""
    path = "ServiceRequest.occurrence"
    start = moment(order.get("occurrenceDateTime"), f"{path}DateTime", site.zone)
    if start is None:
        period = part(order.get("occurrencePeriod"), f"{path}Period")
        start = moment(period.get("start"), f"{path}Period.start", site.zone)
    if start is None and encounter is not None:
        period = part(encounter.get("period"), "Encounter.period")
        start = moment(period.get("start"), "Encounter.period.start", site.zone)
    if start is not None:
        return start
    if codes.start_when_none_told == "when_ordered":
        authored = moment(order.get("authoredOn"), "ServiceRequest.authoredOn", site.zone)
        return authored or changed_at
    raise FhirRefused(f"{path}DateTime", "", "a planned start, or that of its Encounter")


def _indication(order: Resource) -> str | None:
    path = "ServiceRequest.reasonCode"
    reasons = [
        words[-1] for one in parts(order.get("reasonCode"), path) if (words := words_of(one, path))
    ]
    return record_words.cut_text("; ".join(reasons))


def _reason_of_status(order: Resource) -> str | None:
    """Say why, in the status' own word: R4 has no field for the reason of a revocation."""
    return record_words.cut_text(text(order.get("status"), "ServiceRequest.status"))
