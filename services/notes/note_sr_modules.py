"""What surrounds a note's content as a structured report: above all who stands behind it.

IOD of DICOM PS3.3 A.35.1 (from memory); SR Document General Module of C.17.2: the flags and what
an author, a verifying observer and an attestor are (C.17.2.5) were read, the rest is from memory.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final, NamedTuple

from pydicom.dataset import Dataset
from pydicom.uid import BasicTextSRStorage

from schemas.conclusions import NoteState, NoteWritten
from schemas.group import Site
from schemas.own_objects import MANUFACTURER, NOTE_MODEL
from services.notes.banner import banner
from services.notes.note_versions import Version
from services.notes.report_items import moment, sop_reference
from services.notes.report_modules import (
    Instance,
    Maker,
    add_equipment,
    add_instance,
    add_patient,
    add_study,
    named_uid,
    one_line,
    person_name,
)
from services.notes.study_shown import StudyShown
from services.notes.wording import title_of
from services.notes.writing import Writing

FORM = "2"
"""Raise it whenever what is written of one content changes: its UID must change too."""

_SAID: Final = {
    *("study_instance_uid", "patient_id", "accession_number", "sections", "content_sha256"),
    *("signer", "signed_at", "addenda", "signatures", "differences"),
}
"""The fields of a note that its report is made from."""


class Verified(NamedTuple):
    """Who verified the document, and when: the vet of the note, the vet of each addendum."""

    name: str
    at: datetime


def note_uid(*names: object) -> str:
    """Make the UID of something in a note's report, by its names."""
    return named_uid("gomphosis note", *names)


def maker_at(site: Site) -> Maker:
    return Maker(NOTE_MODEL, FORM, note_uid("observer", site.name))


def verified_by(note: NoteWritten) -> list[Verified]:
    """Give whoever has verified a note; none of a draft."""
    if note.signer is None or note.signed_at is None:
        return []
    added = [Verified(one.signer, one.signed_at) for one in note.addenda]
    return [Verified(note.signer, note.signed_at), *added]


def surround(
    report: Dataset,
    note: NoteWritten,
    shown: StudyShown,
    site: Site,
    version: Version,
    made_at: datetime,
) -> None:
    """Add every module but the content. ``made_at`` carries the zone that times are told in."""
    study = note.study_instance_uid
    instance = Instance(
        sop_class_uid=BasicTextSRStorage,
        sop_instance_uid=instance_uid(note, shown, site, version),
        series_instance_uid=_series_uid(study, site),
        series_number=2,
        series_description="Imaging note",
        number=version.revision,
    )
    add_instance(report, instance, made_at)
    add_patient(report, note.patient_id, shown.patient)
    add_study(report, study, shown.day, note.accession_number)
    add_equipment(report, site, maker_at(site))
    report.ObservationDateTime = moment(made_at)
    report.PerformedProcedureCodeSequence = []
    _add_people(report, note, site)
    if note.accession_number is not None:
        report.ReferencedRequestSequence = [_request(study, note.accession_number)]
    if evidence := _evidence(study, shown):
        report.CurrentRequestedProcedureEvidenceSequence = [evidence]
    if (before := _predecessor(note, version)) is not None:
        reference = sop_reference(BasicTextSRStorage, before)
        report.PredecessorDocumentsSequence = [
            _of_study(study, [_of_series(_series_uid(study, site), [reference])])
        ]


def _series_uid(study: str, site: Site) -> str:
    return note_uid("series", site.name, study)


def _predecessor(note: NoteWritten, version: Version) -> str | None:
    """Give the UID of the report that this one is made from.

    A draft is made anew from the device data each time. What a person has written in, or signed,
    is made from the version before it, whether or not anybody has had that one as an object.
    """
    return None if note.state is NoteState.DRAFT else version.before


def instance_uid(note: NoteWritten, shown: StudyShown, site: Site, version: Version) -> str:
    """Make the UID of a report from all that it says: the same content has the same.

    Beside the note's words and what is shown, that is how the group's file names site and people
    now, and how it writes days. A test holds the object's bytes against it.
    """
    said = note.model_dump_json(include=_SAID)
    people = [note.signer, *(one.author for one in note.differences)]
    people += [one.signer for one in note.addenda]
    people += [one.signer for one in note.signatures]
    named = {one: title_of(site, one) for one in people if one is not None}
    content = [
        *(said, shown.digest(), _predecessor(note, version), version.revision),
        *(site.name, site.title, site.time_zone, banner(note, site, Writing.of(site))),
        sorted(named.items()),
    ]
    return note_uid("instance", FORM, json.dumps(content))


def _add_people(report: Dataset, note: NoteWritten, site: Site) -> None:
    """Say how far the document is, who wrote it, who signed it and who verified it."""
    verified = verified_by(note)
    report.CompletionFlag = "COMPLETE" if verified else "PARTIAL"
    report.CompletionFlagDescription = (
        "Signed by a vet" if verified else "Draft, not signed: to be corrected and signed by a vet"
    )
    report.VerificationFlag = "VERIFIED" if verified else "UNVERIFIED"
    report.PreliminaryFlag = "FINAL" if verified else "PRELIMINARY"
    if verified:
        report.VerifyingObserverSequence = [_verifying(one, site) for one in verified]
    authors = dict.fromkeys(one.author for one in note.differences)
    report.AuthorObserverSequence = [_device(site), *(_person(one, site) for one in authors)]
    attested = [
        _attesting(one.signer, one.signed_at, site)
        for one in note.signatures
        # Nobody is both: whoever verified a document does not attest to it as well.
        if not one.final
        and one.content_sha256 == note.content_sha256
        and one.signer not in {vet.name for vet in verified}
    ]
    if attested:
        report.ParticipantSequence = attested


def _verifying(one: Verified, site: Site) -> Dataset:
    item = Dataset()
    item.VerifyingObserverName = person_name(title_of(site, one.name))
    item.VerifyingObserverIdentificationCodeSequence = []
    item.VerifyingOrganization = one_line(site.title)
    item.VerificationDateTime = moment(one.at.astimezone(site.zone))
    return item


def _person(name: str, site: Site) -> Dataset:
    """Make the item that identifies a person (PS3.3 table C.17-3b)."""
    item = Dataset()
    item.ObserverType = "PSN"
    item.PersonName = person_name(title_of(site, name))
    item.PersonIdentificationCodeSequence = []
    item.InstitutionName = one_line(site.title)
    item.InstitutionCodeSequence = []
    return item


def _attesting(name: str, at: datetime, site: Site) -> Dataset:
    item = _person(name, site)
    item.ParticipationType = "ATTEST"
    item.ParticipationDateTime = moment(at.astimezone(site.zone))
    return item


def _device(site: Site) -> Dataset:
    item = Dataset()
    item.ObserverType = "DEV"
    item.StationName = ""
    item.DeviceUID = maker_at(site).observer_uid
    item.Manufacturer = MANUFACTURER
    item.ManufacturerModelName = NOTE_MODEL
    item.InstitutionName = one_line(site.title)
    item.InstitutionCodeSequence = []
    return item


def _request(study: str, accession_number: str) -> Dataset:
    """Name the request that the note answers; what the record has not told us is left empty."""
    item = Dataset()
    item.StudyInstanceUID = study
    item.ReferencedStudySequence = []
    item.AccessionNumber = accession_number[:16]
    item.PlacerOrderNumberImagingServiceRequest = ""
    item.FillerOrderNumberImagingServiceRequest = ""
    item.RequestedProcedureID = ""
    item.RequestedProcedureDescription = ""
    item.RequestedProcedureCodeSequence = []
    return item


def _evidence(study: str, shown: StudyShown) -> Dataset | None:
    """List every image of the study whose series and class are known; None where none is."""
    series: dict[str, list[Dataset]] = {}
    for one in sorted(shown.images, key=lambda one: (one.acquired_at, one.sop_instance_uid)):
        if one.series_instance_uid is not None and one.sop_class_uid is not None:
            reference = sop_reference(one.sop_class_uid, one.sop_instance_uid)
            series.setdefault(one.series_instance_uid, []).append(reference)
    if not series:
        return None
    return _of_study(study, (_of_series(uid, images) for uid, images in sorted(series.items())))


def _of_study(study: str, series: Iterable[Dataset]) -> Dataset:
    item = Dataset()
    item.StudyInstanceUID = study
    item.ReferencedSeriesSequence = list(series)
    return item


def _of_series(series: str, references: Sequence[Dataset]) -> Dataset:
    item = Dataset()
    item.SeriesInstanceUID = series
    item.ReferencedSOPSequence = list(references)
    return item
