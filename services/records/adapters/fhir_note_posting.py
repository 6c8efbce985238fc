"""Bringing a note's revision to a FHIR server: in one transaction where it can, else in steps.

Every step is safe to repeat: what was made before a crash is found by its identifier. The older
documents are marked last, so that at no time the record holds none that is current.
"""

from dataclasses import dataclass
from uuid import uuid4

from services.records.adapters.fhir_client import FhirRecordClient
from services.records.adapters.fhir_create import (
    FhirRefusal,
    create,
    find,
    find_one,
    reference_in,
    refusal,
)
from services.records.adapters.fhir_documents import HeldDocuments
from services.records.adapters.fhir_imaging_study import newer_study, of_another_patient
from services.records.adapters.fhir_names import (
    DICOM_UID,
    Names,
    Resource,
    key_value,
    query,
    reference_of,
)
from services.records.adapters.fhir_note import (
    NoteResources,
    edited,
    link,
    revision_of,
    same_note,
)
from services.records.port import NotePosting, RecordUnavailable

_REPORT = "DiagnosticReport"
_DOCUMENT = "DocumentReference"
_STUDY = "ImagingStudy"


def post_note(
    client: FhirRecordClient,
    names: Names,
    posting: NotePosting,
    made: NoteResources,
    *,
    transactions: bool,
    updates_studies: bool = True,
) -> str:
    """Put a revision into the record; give the reference of its document.

    Without ``updates_studies`` an ImagingStudy stays as it was made. Raises FhirRefusal where the
    record holds something else, and what the client raises.
    """
    study_uid = key_value(posting.note.study_instance_uid)
    document = find_one(client, _DOCUMENT, names.posting_key, key_value(posting.key))
    if document is not None and not same_note(document, made.document, names):
        raise _other_content(document, posting)
    report = find_one(client, _REPORT, names.report, study_uid)
    if report is not None:
        _refuse_foreign(report, made.report, names, posting)
    behind = report is None or revision_of(report, names) < posting.note.revision
    held = _held(client, names, made.document, study_uid)
    outdated = held.outdated(posting.note.revision)
    if document is not None and not behind:
        for older in outdated:
            _update(client, older)
        return reference_of(document)
    held.relate(made.document, posting.note.revision)
    study = find_one(client, _STUDY, DICOM_UID, made.study["identifier"][0]["value"])
    if study is not None and (why := of_another_patient(study, made.study)) is not None:
        raise FhirRefusal(why)
    newer = newer_study(study, made.study, names) if study and updates_studies else None
    plan = _Plan(
        study=study,
        newer_study=newer,
        old_report=report if behind else None,
        report=report,
        outdated=outdated,
    )
    return (_together if transactions else _in_steps)(client, names, posting, made, plan)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """What the record holds of a note, and what of it the new revision changes."""

    study: Resource | None
    newer_study: Resource | None
    old_report: Resource | None
    report: Resource | None
    outdated: list[Resource]


def _held(
    client: FhirRecordClient, names: Names, document: Resource, study_uid: str
) -> HeldDocuments:
    """Look up the note's documents; another patient's are not ours to touch."""
    patient = document["subject"]["reference"]
    found = find(client, _DOCUMENT, names.study, study_uid)
    own = [one for one in found if (one.get("subject") or {}).get("reference") == patient]
    return HeldDocuments(own, names)


def _in_steps(
    client: FhirRecordClient,
    names: Names,
    posting: NotePosting,
    made: NoteResources,
    plan: _Plan,
) -> str:
    old, held = plan.old_report, plan.report
    study = _study_in_record(client, made, plan)
    link(made, study, reference_of(held) if held else "")
    if old is not None:
        _update(client, _merged(old, made.report, names))
    elif held is None:
        value = key_value(posting.note.study_instance_uid)
        report = create(client, _REPORT, made.report, names.report, value)
        if report.held is not None:
            raise RecordUnavailable(f"FHIR server: {report.reference} was made meanwhile")
        link(made, study, report.reference)
    done = create(client, _DOCUMENT, made.document, names.posting_key, key_value(posting.key))
    if done.held is not None and not same_note(done.held, made.document, names):
        raise _other_content(done.held, posting)
    for older in plan.outdated:
        _update(client, older)
    return done.reference


def _study_in_record(client: FhirRecordClient, made: NoteResources, plan: _Plan) -> str:
    if plan.study is None:
        uid = made.study["identifier"][0]["value"]
        done = create(client, _STUDY, made.study, DICOM_UID, uid)
        if done.held is not None and (why := of_another_patient(done.held, made.study)) is not None:
            raise FhirRefusal(why)
        return done.reference
    if plan.newer_study is not None:
        _update(client, plan.newer_study)
    return reference_of(plan.study)


def _together(
    client: FhirRecordClient,
    names: Names,
    posting: NotePosting,
    made: NoteResources,
    plan: _Plan,
) -> str:
    """Send all in one transaction (FHIR R4, http.html#transaction): it holds whole or not."""
    old, held = plan.old_report, plan.report
    study, report = f"urn:uuid:{uuid4()}", f"urn:uuid:{uuid4()}"
    entries = []
    if plan.newer_study is not None:
        entries.append(_changed(study, plan.newer_study))
    elif plan.study is None:
        uid = made.study["identifier"][0]["value"]
        entries.append(_made(study, made.study, query(DICOM_UID, uid)))
    known = reference_of(plan.study) if plan.study else study
    link(made, known, reference_of(held) if held else report)
    if old is not None:
        entries.append(_changed(report, _merged(old, made.report, names)))
    elif held is None:
        value = key_value(posting.note.study_instance_uid)
        entries.append(_made(report, made.report, query(names.report, value)))
    entries += [_changed(f"urn:uuid:{uuid4()}", older) for older in plan.outdated]
    key = key_value(posting.key)
    entries.append(_made(f"urn:uuid:{uuid4()}", made.document, query(names.posting_key, key)))
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    reply = client.send("POST", "", bundle)
    if reply.status == 412:
        raise RecordUnavailable(f"FHIR server: the note changed there meanwhile: {reply.words()}")
    if reply.status != 200:
        raise refusal(reply, "Bundle")
    answers = reply.content.get("entry")
    last = answers[-1] if isinstance(answers, list) and answers else {}
    told = last.get("response") if isinstance(last, dict) else None
    if isinstance(told, dict) and str(told.get("status", "")).startswith("201"):
        reference = reference_in(str(told.get("location", "")), _DOCUMENT)
        if reference:
            return reference
    found = find_one(client, _DOCUMENT, names.posting_key, key)
    if found is None:
        raise RecordUnavailable("FHIR server: the note is told of and not found yet")
    if not same_note(found, made.document, names):
        raise _other_content(found, posting)
    return reference_of(found)


def _made(full_url: str, resource: Resource, condition: str) -> Resource:
    request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": condition}
    return {"fullUrl": full_url, "resource": resource, "request": request}


def _changed(full_url: str, resource: Resource) -> Resource:
    name = reference_of(resource)
    request = {"method": "PUT", "url": name, **_if_match(resource, "ifMatch")}
    return {"fullUrl": full_url, "resource": resource, "request": request}


def _update(client: FhirRecordClient, resource: Resource) -> None:
    name = reference_of(resource)
    reply = client.send("PUT", name, resource, _if_match(resource, "If-Match"))
    if reply.status == 412:
        raise RecordUnavailable(f"FHIR server: {name} changed meanwhile: {reply.words()}")
    if reply.status not in {200, 201}:
        raise refusal(reply, name)


def _if_match(held: Resource, name: str) -> dict[str, str]:
    """Ask that nobody changed it since we read it, where the server counts versions."""
    meta = held.get("meta")
    version = meta.get("versionId") if isinstance(meta, dict) else None
    return {name: f'W/"{version}"'} if version else {}


def _merged(old: Resource, new: Resource, names: Names) -> Resource:
    """Put the new revision over the held report; what the record has added to it stays."""
    extensions = old.get("extension")
    others = [
        one
        for one in (extensions if isinstance(extensions, list) else [])
        if isinstance(one, dict) and not str(one.get("url")).startswith(f"{names.extensions}/")
    ]
    return {
        **old,
        **new,
        "identifier": old["identifier"],
        "extension": [*others, *new["extension"]],
    }


def _refuse_foreign(held: Resource, new: Resource, names: Names, posting: NotePosting) -> None:
    name = reference_of(held)
    subject = held.get("subject")
    if not isinstance(subject, dict) or subject.get("reference") != new["subject"]["reference"]:
        raise FhirRefusal(f"{name} of this study is held for another patient")
    if revision_of(held, names) < posting.note.revision and edited(held, names):
        raise FhirRefusal(
            f"{name} was changed in the record since revision {revision_of(held, names)}; "
            "nothing was overwritten, a person has to bring the two together"
        )


def _other_content(held: Resource, posting: NotePosting) -> FhirRefusal:
    return FhirRefusal(
        f"{reference_of(held)} is held under {posting.key} with other content; "
        "nothing was changed, a person has to compare the two"
    )
