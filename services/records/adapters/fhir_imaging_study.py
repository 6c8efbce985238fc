"""A note's images as a FHIR R4 ImagingStudy, and what becomes of one that is held. Pure.

R4 wants uid and modality of a series, uid and SOP class of an instance (read: the models of
``fhir.resources`` hold every example against that), so an image of which either is not known is
left out. Whoever keeps the images may have made an ImagingStudy of the study already: it is linked
to and never changed. Ours follows the note's revisions.
"""

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC
from typing import Final

from schemas.conclusions import NoteImage, NoteShows
from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.fhir_codes import study_elements
from services.records.adapters.fhir_names import Names, Resource, reference_of, uid_identifier
from services.records.port import NotePosting

_DICOM: Final = "http://dicom.nema.org/resources/ontology/DCM"
_URI: Final = "urn:ietf:rfc:3986"
_XRAY: Final = "1.2.840.10008.5.1.4.1.1.1"
_MODALITIES: Final[Mapping[str, str]] = {
    _XRAY: "CR",
    f"{_XRAY}.1": "DX",
    f"{_XRAY}.1.1": "DX",
    f"{_XRAY}.3": "IO",
    f"{_XRAY}.3.1": "IO",
}
"""Computed, digital and intra-oral X-ray, by SOP class (PS3.3 A.2, A.26, A.27; from memory).
Of any other class the modality is not known here: 'OT', other."""


def imaging_study(
    posting: NotePosting, names: Names, codes: PostedCodes, subject: Resource, endpoint: str
) -> Resource:
    """Make the ImagingStudy of a note; without series where nothing is known of its images."""
    note = posting.note
    shows = note.shows or NoteShows()
    study: Resource = {
        "resourceType": "ImagingStudy",
        "identifier": [uid_identifier(note.study_instance_uid)],
        "status": "available",
        "subject": subject,
        **study_elements(posting, names, codes),
    }
    if shows.images:
        first = min(one.acquired_at for one in shows.images)
        study["started"] = first.astimezone(UTC).isoformat()
    if series := _series(shows.images):
        modalities = {one["modality"]["code"]: one["modality"] for one in series}
        instances = sum(one["numberOfInstances"] for one in series)
        study |= {
            "modality": [modalities[code] for code in sorted(modalities)],
            "numberOfSeries": len(series),
            "numberOfInstances": instances,
            "series": series,
        }
    if endpoint:
        study["endpoint"] = [{"reference": endpoint}]
    told = {"revision": str(note.revision), "site": posting.site}
    study["extension"] = [names.extend(**told, sha256=_digest(study))]
    return study


def newer_study(held: Resource, made: Resource, names: Names) -> Resource | None:
    """Give a held ImagingStudy of ours with the newer revision's images; None to leave it."""
    then, now = names.told(held), names.told(made)
    ours = then.get("revision", "").isdecimal() and then.get("sha256") == _digest(held)
    if not ours or int(then["revision"]) >= int(now["revision"]) or "series" not in made:
        return None
    return {**held, **made, "identifier": held["identifier"]}


def of_another_patient(held: Resource, made: Resource) -> str | None:
    """Say that a held ImagingStudy is another patient's; None where it is not, or does not say."""
    subject = held.get("subject")
    reference = subject.get("reference") if isinstance(subject, dict) else None
    wanted = str(made["subject"]["reference"])
    if not isinstance(reference, str) or f"/{reference}".endswith(f"/{wanted}"):
        return None
    return f"{reference_of(held)} of this study is held for another patient ({reference})"


def _series(images: tuple[NoteImage, ...]) -> list[Resource]:
    found: dict[str, list[Resource]] = {}
    modality: dict[str, str] = {}
    for one in images:
        if one.series_instance_uid is None or one.sop_class_uid is None:
            continue
        instance: Resource = {
            "uid": one.sop_instance_uid,
            "sopClass": {"system": _URI, "code": f"urn:oid:{one.sop_class_uid}"},
        }
        if one.title:
            instance["title"] = one.title
        found.setdefault(one.series_instance_uid, []).append(instance)
        modality.setdefault(one.series_instance_uid, _MODALITIES.get(one.sop_class_uid, "OT"))
    return [
        {
            "uid": uid,
            "modality": {"system": _DICOM, "code": modality[uid]},
            "numberOfInstances": len(instances),
            "instance": instances,
        }
        for uid, instances in sorted(found.items())
    ]


def _digest(study: Resource) -> str:
    """Give the sha256 of what a study lists, to see whether somebody else has changed it."""
    listed = [
        [one.get("uid"), sorted(str(two.get("uid")) for two in one.get("instance") or [])]
        for one in study.get("series") or []
    ]
    subject = (study.get("subject") or {}).get("reference")
    return hashlib.sha256(json.dumps([sorted(listed), subject]).encode()).hexdigest()
