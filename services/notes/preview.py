"""An invented study as a note, to try a template on. Nothing in it is of any patient."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts.desk import NoteAddended, NoteAmended, NoteSigned
from schemas.group import Role, Site
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import NoteFile
from services.notes.note_now import NoteNow, note_now

_AT = datetime(2026, 3, 2, 16, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Preview:
    """The invented note while it is a draft, and once it is signed and has an addendum."""

    draft: NoteNow
    signed: NoteNow


def invented_note(site: Site) -> Preview:
    """Draft, amend, sign and addend a note of an invented study, as this site writes it."""
    people = {role: _somebody(site, role) for role in (Role.VET, Role.TRAINEE)}
    vet, trainee = people[Role.VET], people[Role.TRAINEE]
    study = StudyAssessed.model_validate_json(json.dumps(StudyAssessed.EXAMPLES[0]))
    uid = study.study_instance_uid
    file, _ = take_assessment(NoteFile(), study, site)
    words = "T/FX/EF at 309, for the example only (invented)."
    for section in ("findings-mandible-left", "limitations"):
        amended = NoteAmended(study_instance_uid=uid, section=section, text=words)
        file = take_fact(file, _told(amended, vet, site, 1), site)
    draft = _now(file, site)
    for minute, signer in ((2, trainee), (3, vet)):
        signed = NoteSigned(
            study_instance_uid=uid,
            note_sha256=draft.content_sha256,
            signer=signer,
            reauthenticated_at=_AT,
        )
        file = take_fact(file, _told(signed, signer, site, minute), site)
    addendum = NoteAddended(
        study_instance_uid=uid, text="Invented addendum.", signer=vet, reauthenticated_at=_AT
    )
    file = take_fact(file, _told(addendum, vet, site, 60), site)
    return Preview(draft, _now(file, site))


def _somebody(site: Site, role: Role) -> str:
    return next(person.name for person in site.people if role in person.roles)


def _now(file: NoteFile, site: Site) -> NoteNow:
    now = note_now(file, site)
    if now is None:  # pragma: no cover - the study was just given
        raise AssertionError("a note of a study that is known")
    return now


def _told(payload: Payload, person: str, site: Site, minute: int) -> Message[Payload]:
    at = _AT + timedelta(minutes=minute)
    return Message(
        id=new_id(),
        group="invented-group",
        site=site.name,
        occurred_at=at,
        received_at=at,
        source=Source(kind="person", name=person),
        correlation_id="invented",
        payload=payload,
    )
