"""A note's revision as FHIR R4 resources: ImagingStudy, DiagnosticReport, DocumentReference. Pure.

The study has one DiagnosticReport, whose status and text follow the note (preliminary, final,
appended), and one DocumentReference for every revision, of which nothing but the status changes
(``fhir_documents``): so the record keeps what was signed beside what was added. Attachments carry
their SHA-1, as R4 wants it (Attachment.hash), and the revision's content a SHA-256 in our
extension. ``conclusion`` stays empty: the software diagnoses nothing.

R4B (4.3.0), whose models the tests use, has the same elements as R4 (4.0.1) for all that is
written here (from memory). In R5 DiagnosticReport.imagingStudy is ``study``.
"""

import hashlib
import json
from base64 import b64encode
from dataclasses import dataclass
from typing import Final

from schemas.conclusions import NoteWritten
from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.fhir_codes import report_elements
from services.records.adapters.fhir_imaging_study import imaging_study
from services.records.adapters.fhir_names import (
    Names,
    Resource,
    identifier_of,
    key_value,
)
from services.records.port import NotePosting, NoteStatus

_RADIOLOGY: Final = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "RAD"}]
}
"""HL7 table 0074, diagnostic service section: RAD, radiology (from memory)."""

DOC_STATUS: Final = {
    NoteStatus.PRELIMINARY: "preliminary",
    NoteStatus.FINAL: "final",
    NoteStatus.APPENDED: "amended",
}
"""R4 knows no appended document: 'amended' is its state after final (composition-status)."""


@dataclass(frozen=True, slots=True)
class NoteResources:
    """The three of a revision; ``report`` and ``document`` refer to the others by name."""

    study: Resource
    report: Resource
    document: Resource


def note_resources(
    posting: NotePosting,
    names: Names,
    codes: PostedCodes,
    subject: Resource,
    order: Resource | None,
    endpoint: str = "",
) -> NoteResources:
    """Make the resources of a note. References among them are added by ``link``.

    ``endpoint``: the reference of the record's Endpoint at which the images can be had, if any.
    """
    note = posting.note
    forms = _forms(note)
    based_on = {"basedOn": [order]} if order is not None else {}
    code = codes.note_code
    kind = {
        "coding": [{"system": code.system, "code": code.code, "display": code.display}],
    }
    signer = _signer(note, codes)
    study = imaging_study(posting, names, codes, subject, endpoint) | based_on
    told_codes = report_elements(posting, names, codes)
    extensions = told_codes.pop("extension", [])
    report: Resource = {
        "resourceType": "DiagnosticReport",
        "identifier": [{"system": names.report, "value": key_value(note.study_instance_uid)}],
        "status": posting.status.value,
        "category": [_RADIOLOGY],
        "code": kind,
        "subject": subject,
        "presentedForm": forms,
        **told_codes,
        **based_on,
    }
    document: Resource = {
        "resourceType": "DocumentReference",
        "identifier": [
            {"system": names.posting_key, "value": key_value(posting.key)},
            {
                "use": "secondary",
                "system": names.study,
                "value": key_value(note.study_instance_uid),
            },
        ],
        "status": "current",
        "docStatus": DOC_STATUS[posting.status],
        "type": kind,
        "subject": subject,
        "content": [{"attachment": form} for form in forms],
    }
    if note.signed_at is not None:
        report["issued"] = document["date"] = note.signed_at.isoformat()
    if signer is not None:
        report["resultsInterpreter"] = document["author"] = [signer]
    told = {"revision": str(note.revision), "site": posting.site}
    report["extension"] = [names.extend(**told, sha256=report_digest(report)), *extensions]
    document["extension"] = [names.extend(**told, sha256=note_digest(posting))]
    return NoteResources(study, report, document)


def link(made: NoteResources, study: str, report: str) -> None:
    """Put the references in, once it is known how the others are called."""
    made.report["imagingStudy"] = [{"reference": study}]
    made.document["context"] = {"related": [{"reference": study}, {"reference": report}]}


def revision_of(held: Resource, names: Names) -> int:
    """Give the revision that a report or document stands at; 0 for one that is not ours."""
    told = names.told(held).get("revision", "")
    return int(told) if told.isascii() and told.isdigit() else 0


def report_digest(report: Resource) -> str:
    """Give the sha256 of what a person must not change in our report unseen."""
    forms = report.get("presentedForm")
    told = [
        report.get("status"),
        [one.get("data") for one in forms if isinstance(one, dict)] if forms else [],
        report.get("conclusion"),
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def edited(report: Resource, names: Names) -> bool:
    """Tell whether the record's people have changed the report since we wrote it."""
    return names.told(report).get("sha256") != report_digest(report)


def note_digest(posting: NotePosting) -> str:
    """Give the sha256 of a revision's content and state."""
    # Without defaults: a field that a later version adds must not make a posted note another.
    content = posting.note.model_dump(mode="json", exclude={"due"}, exclude_defaults=True)
    told = json.dumps([posting.site, posting.status.value, content], sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()


def same_note(held: Resource, wanted: Resource, names: Names) -> bool:
    """Tell whether a held document is the revision that we would post."""
    key = names.posting_key
    if identifier_of(held, key) != identifier_of(wanted, key):
        return False
    return names.told(held).get("sha256") == names.told(wanted).get("sha256")


def _forms(note: NoteWritten) -> list[Resource]:
    made = []
    for kind, words in (("text/html", note.html), ("text/plain", note.text)):
        body = words.encode()
        # SHA-1 because the standard names it: a check of transport, no signature.
        digest = hashlib.sha1(body, usedforsecurity=False).digest()
        made.append(
            {
                "contentType": f"{kind}; charset=utf-8",
                "data": b64encode(body).decode("ascii"),
                "size": len(body),
                "hash": b64encode(digest).decode("ascii"),
                "title": f"Dental imaging note, revision {note.revision}",
            }
        )
    return made


def _signer(note: NoteWritten, codes: PostedCodes) -> Resource | None:
    if note.signer is None:
        return None
    if note.signer not in codes.staff:
        return {"display": note.signer}
    named = {"value": codes.staff[note.signer]}
    if codes.staff_system:
        named["system"] = codes.staff_system
    return {"type": "Practitioner", "identifier": named, "display": note.signer}
