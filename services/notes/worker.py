"""The notes worker: assessments, the desk's facts and the record's answers in, notes out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import structlog

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.facts.desk import NoteAddended, NoteAmended, NoteSigned, PostingAnswered
from schemas.group import Group, Site
from services.notes import store
from services.notes.kept_note import as_it_stands
from services.notes.lifecycle import Refused, take_assessment, take_fact
from services.notes.note_file import NoteFile
from services.notes.note_now import note_now
from services.notes.note_sr_modules import instance_uid
from services.notes.reminders import waits_for_signature
from services.notes.render import NoteTemplates
from services.notes.store import KeptNote
from services.notes.written import same_note, written
from services.runtime import triage
from services.runtime.by_keys import Key
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

SERVICE = "notes"
SOURCE = Source(kind="service", name=SERVICE)


@dataclass(frozen=True, slots=True)
class NotesHandler:
    """Handles ``channels.NOTES``."""

    group: Group
    templates: NoteTemplates = field(default_factory=NoteTemplates.load)

    def __call__(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        """Bring the note of every study of the batch up to date once. Raises InvalidInput."""
        by_study: dict[tuple[str, str], list[Message[Payload]]] = {}
        for message in messages:
            by_study.setdefault((message.site, _study_of(message)), []).append(message)
        # Always in the same order, so that two workers never wait for each other.
        work.lock_all(f"notes:{study}" for study in sorted({study for _, study in by_study}))
        kept = store.read_notes(work.connection, by_study)
        changed: dict[Key, tuple[KeptNote, KeptNote]] = {}
        for key, told in sorted(by_study.items(), key=lambda item: item[0]):
            site = self.group.site(key[0])
            now = _brought_up_to_date(work, site, kept[key], told, self.templates)
            if now is not None:
                changed[key] = (kept[key], now)
        store.write_notes(work.connection, changed)


def _brought_up_to_date(
    work: Work,
    site: Site,
    before: KeptNote,
    told: Sequence[Message[Payload]],
    templates: NoteTemplates,
) -> KeptNote | None:
    """Give the note as it is now, still to be written; None where nothing is new."""
    file = before.file
    for message in told:
        file, refused = _take(file, message, site)
        _keep_refused(work, refused)
    if file == before.file:
        return None
    now = _tell(work, replace(before, file=file), site, told[-1], templates)
    waits = waits_for_signature(file)
    return replace(
        now,
        waiting_since=(before.waiting_since or told[-1].received_at) if waits else None,
        reminded=before.reminded if waits else 0,
    )


def _take(
    file: NoteFile, message: Message[Payload], site: Site
) -> tuple[NoteFile, tuple[Refused, ...]]:
    if isinstance(message.payload, StudyAssessed):
        return take_assessment(file, message.payload, site)
    return take_fact(file, message, site), ()


def _tell(
    work: Work, kept: KeptNote, site: Site, cause: Message[Payload], templates: NoteTemplates
) -> KeptNote:
    """Send the note where it says something new, at the next revision."""
    note = note_now(kept.file, site)
    if note is None or kept.file.assessment is None:
        return kept
    told = written(note, kept.file.assessment, kept.revision + 1, site, templates)
    if kept.snapshot is not None and same_note(told, kept.snapshot):
        return kept
    work.emit(cause.caused(told, SOURCE))
    revisions = MappingProxyType({**kept.file.written, told.revision: note.digest})
    now = KeptNote(replace(kept.file, written=revisions), told.revision, told)
    return replace(now, file=replace(now.file, reports=_reports(now, site)))


def _reports(kept: KeptNote, site: Site) -> Mapping[int, str]:
    """Add the UID that the structured report of the note would have now: the next names it."""
    at_hand = as_it_stands(kept)
    if at_hand is None:
        return kept.file.reports
    uid = instance_uid(at_hand.note, at_hand.shown, site, at_hand.version)
    return MappingProxyType({**kept.file.reports, at_hand.note.revision: uid})


def _keep_refused(work: Work, refused: Sequence[Refused]) -> None:
    """Facts that waited for their study and do not fit it go to a person, as any other would."""
    entries = []
    for one in refused:
        # Under a new id, for a replay of one that the inbox has taken would be let pass.
        fact = replace(one.fact, id=new_id(), causation_id=one.fact.id)
        entries.append(
            triage.Kept(SERVICE, "bus", one.error, fact.encode(), fact.kind, str(fact.id))
        )
        log.warning(
            "waiting_fact_refused",
            kind=fact.kind,
            message_id=str(one.fact.id),
            field=one.error.field,
            expected=one.error.expected,
        )
    triage.keep(work.connection, entries)


def _study_of(message: Message[Payload]) -> str:
    if isinstance(
        message.payload, StudyAssessed | NoteAmended | NoteSigned | NoteAddended | PostingAnswered
    ):
        return message.payload.study_instance_uid
    raise InvalidInput("kind", message.kind, "an assessment, a note fact or a record's answer")
