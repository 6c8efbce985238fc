"""A posting as a FHIR R4 ChargeItem, and a ChargeItem read back as a line. Pure.

A charge and its credit are two ChargeItems, both ``billable``; the credit's ``priceOverride`` is
negative and it names the item that it takes back. ``entered-in-error`` is not used for a credit:
R4 says of it that the item 'should not be processed for billing', so the record would lose the
charge that it may have billed already, and a repeated credit would leave no trace of its own.
``partOf`` is not used either: it groups items into a larger one. ``priceOverride`` is the total of
the item, not the price of one (R4: 'Total price of the charge').

R4B (4.3.0), whose models the tests use, has the same elements of ChargeItem as R4 (4.0.1) for all
that is written here (from memory); R5 renames ``context`` and ``priceOverride``.
"""

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Final

from pydantic import ValidationError

from schemas.conclusions import EntryType
from schemas.errors import InvalidInput
from schemas.facts import RecordLine
from schemas.mappings.posted_codes import PostedCodes
from schemas.messages import invalid_input
from services.records.adapters.fhir_codes import charge_elements
from services.records.adapters.fhir_names import (
    Names,
    Resource,
    identifier_of,
    key_of,
    key_value,
    reference_of,
    uid_identifier,
)
from services.records.adapters.fhir_values import (
    amount_of,
    moment,
    number_text,
    part,
    quantity_of,
    service_day,
)
from services.records.port import ChargePosting, CorrectionPosting, HeldLine

COUNTED: Final = frozenset({"billable", "billed"})
"""The states of an item that costs something; one of another state is no line of the record."""


def charge_item(
    posting: ChargePosting,
    names: Names,
    codes: PostedCodes,
    code: str,
    subject: Resource,
    beside: list[Resource],
    now: datetime,
) -> Resource:
    """Make the ChargeItem of a charge or credit. ``code`` is the record's; ``beside`` references
    the item that it takes back and the order, where known."""
    entry = posting.entry
    moved = posting.posting_day if posting.posting_day != entry.service_day else None
    item = _item(
        posting,
        names,
        codes,
        code,
        subject,
        beside,
        now,
        study=posting.study_instance_uid,
        words=entry.description,
        quantity=entry.quantity,
        reverses=entry.reverses,
        posting_day=moved.isoformat() if moved else None,
    )
    account = entry.account or posting.account
    if account:
        item["account"] = [{"identifier": {"value": account}}]
    more = charge_elements(posting, names, codes)
    extensions = [*item["extension"], *more.pop("extension", [])]
    return item | more | {"extension": extensions}


def correction_item(
    posting: CorrectionPosting,
    names: Names,
    codes: PostedCodes,
    code: str,
    subject: Resource,
    beside: list[Resource],
    now: datetime,
) -> Resource:
    """Make the ChargeItem of a line that puts another right."""
    entry = posting.entry
    return _item(
        posting,
        names,
        codes,
        code,
        subject,
        beside,
        now,
        study=entry.study_instance_uid,
        words=entry.reason,
        quantity=1,
        corrects=entry.corrects,
    )


def _item(
    posting: ChargePosting | CorrectionPosting,
    names: Names,
    codes: PostedCodes,
    code: str,
    subject: Resource,
    beside: list[Resource],
    now: datetime,
    *,
    study: str,
    words: str,
    quantity: int,
    reverses: str | None = None,
    corrects: str | None = None,
    posting_day: str | None = None,
) -> Resource:
    entry, site = posting.entry, posting.site
    signed = entry.amount if entry.type is EntryType.CHARGE else -entry.amount
    its_code = {"code": code} | ({"system": codes.charge_system} if codes.charge_system else {})
    item: Resource = {
        "resourceType": "ChargeItem",
        "identifier": [
            {"system": names.posting_key, "value": key_value(posting.key)},
            {"use": "secondary", "system": names.study, "value": key_value(study)},
        ],
        "status": "billable",
        "code": {
            "coding": [its_code, {"system": names.charge_code, "code": entry.code}],
            "text": words,
        },
        "subject": subject,
        "occurrenceDateTime": entry.service_day.isoformat(),
        "quantity": {"value": quantity},
        # A contract of Money has 12 digits at most, which a binary float of JSON keeps exactly.
        "priceOverride": {"value": float(signed), "currency": posting.currency},
        "overrideReason": entry.reason,
        "enteredDate": now.astimezone(UTC).isoformat(),
        "service": [{"type": "ImagingStudy", "identifier": uid_identifier(study)}],
    }
    if beside:
        item["supportingInformation"] = beside
    if site in codes.sites:
        organisation = {"value": codes.sites[site]}
        if codes.site_system:
            organisation["system"] = codes.site_system
        item["performingOrganization"] = {"identifier": organisation}
    item["extension"] = [
        names.extend(
            type=entry.type.value,
            site=site,
            reverses=key_value(reverses) if reverses else None,
            corrects=key_value(corrects) if corrects else None,
            postingDay=posting_day,
            sha256=digest_of(item),
        )
    ]
    return item


def digest_of(item: Resource) -> str:
    """Give the sha256 of what a person must not change in an item unseen.

    Numbers count by value: a server may write 38.00 as 38.0 (FHIR asks to keep it, few do).
    """
    price, codes = part(item, "priceOverride"), part(item, "code").get("coding")
    told = [
        item.get("status") if item.get("status") not in COUNTED else "counted",
        [one.get("code") for one in codes if isinstance(one, dict)] if codes else [],
        part(part(item, "subject"), "identifier").get("value"),
        str(item.get("occurrenceDateTime"))[:10],
        number_text(part(item, "quantity").get("value")),
        number_text(price.get("value")),
        price.get("currency"),
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def same_posting(held: Resource, wanted: Resource, names: Names) -> str | None:
    """Say in words what a held item has that we would not post, or None where it is ours."""
    told, asked = names.told(held), names.told(wanted)
    if held.get("status") not in COUNTED:
        return f"is {held.get('status')} in the record"
    if digest_of(held) != asked["sha256"] or any(
        told.get(name) != asked.get(name) for name in ("type", "site", "reverses", "corrects")
    ):
        return "is held with other content"
    return None


def held_line(item: Resource, names: Names) -> HeldLine | None:
    """Read an item of ours; None where it carries no key of ours.

    Raises InvalidInput where it does and cannot be read as a line.
    """
    key, told = identifier_of(item, names.posting_key), names.told(item)
    if key is None:
        return None
    day, amount, currency = (
        service_day(item),
        amount_of(item),
        str(part(item, "priceOverride")["currency"]),
    )
    study = identifier_of(item, names.study)
    patient = part(part(item, "subject"), "identifier").get("value")
    if told.get("type") not in {"charge", "credit"} or study is None or patient is None:
        raise InvalidInput("ChargeItem", reference_of(item), "the item as we wrote it")
    return HeldLine(
        posting_key=key_of(key),
        type=EntryType(told["type"]),
        reverses=key_of(told["reverses"]) if "reverses" in told else None,
        site=told.get("site", ""),
        patient_id=str(patient),
        study_instance_uid=key_of(study),
        code=_code(item, names.charge_code) or "",
        quantity=quantity_of(item),
        amount=abs(amount),
        currency=currency,
        service_day=day,
        posting_day=date.fromisoformat(told["postingDay"]) if "postingDay" in told else day,
        reference=reference_of(item),
        changed_by_hand=digest_of(item) != told.get("sha256"),
    )


def record_line(
    item: Resource, names: Names, codes: PostedCodes, patient_of: Callable[[Resource], str]
) -> RecordLine:
    """Read any item that costs something as a line. Raises InvalidInput, naming the field."""
    key, told = identifier_of(item, names.posting_key), names.told(item)
    ours = _code(item, names.charge_code)
    entered = item.get("enteredDate")
    enterer = part(item, "enterer")
    by = enterer.get("display") or part(enterer, "identifier").get("value")
    try:
        return RecordLine(
            line_id=reference_of(item),
            posting_key=key_of(key) if key else None,
            patient_id=patient_of(part(item, "subject")),
            service_day=service_day(item),
            code=ours or codes.charge_of(_code(item, codes.charge_system) or ""),
            quantity=quantity_of(item),
            amount=amount_of(item),
            currency=str(part(item, "priceOverride").get("currency")),
            entered_by="gomphosis" if key else by,
            entered_at=moment(entered) if entered else None,
            edited=bool(key) and digest_of(item) != told.get("sha256"),
        )
    except ValidationError as error:
        raise invalid_input(error, "ChargeItem") from error


def site_of(item: Resource, names: Names, codes: PostedCodes) -> str | None:
    """Give the site of an item: as we told it, or by its organisation."""
    told = names.told(item).get("site")
    if told:
        return told
    organisation = part(part(item, "performingOrganization"), "identifier").get("value")
    return codes.site_of(str(organisation)) if organisation else None


def _code(item: Resource, system: str | None) -> str | None:
    codings = part(item, "code").get("coding")
    for one in codings if isinstance(codings, list) else []:
        if isinstance(one, dict) and (system is None or one.get("system") == system):
            return str(one.get("code") or "") or None
    return None
