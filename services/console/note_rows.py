"""The row of one study's note: its state, what it waits for, since when. Pure."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from schemas.conclusions import NoteUnsigned, NoteWritten, StudyState
from schemas.facts import PostingOutcome
from services.console.answers import as_text, from_text, newest

Row = dict[str, Any]


def empty_note(site: str, study_instance_uid: str) -> Row:
    """Make the row of a note of which nothing is known."""
    return {
        "site": site,
        "study_instance_uid": study_instance_uid,
        "revision": 0,
        "state": None,
        "asks": None,
        "waits_for": None,
        "since": None,
        "open_since": None,
        "signer": None,
        "signed_at": None,
        "trainee": None,
        "refused": None,
        "waiting_since": None,
        "reminder": 0,
        "answers": as_text({}),
        "snapshot": None,
    }


def with_note(row: Row, note: NoteWritten) -> Row:
    """Take the newest note in; an older one changes nothing."""
    if note.revision <= row["revision"]:
        return row
    trainees = [one.signer for one in note.signatures if not one.final]
    return row | {
        "revision": note.revision,
        "state": note.state.value,
        "asks": _asks(note),
        "signer": note.signer,
        "signed_at": note.signed_at,
        "trainee": trainees[-1] if trainees else None,
        "snapshot": note.model_dump_json(),
    }


def revision_row(site: str, note: NoteWritten, told_at: datetime) -> Row:
    """Make the row of ``tables.NOTE_REVISION``."""
    sections = [section.model_dump(mode="json") for section in note.sections]
    return {
        "site": site,
        "study_instance_uid": note.study_instance_uid,
        "revision": note.revision,
        "content_sha256": note.content_sha256,
        "state": note.state.value,
        "told_at": told_at,
        "sections": json.dumps(sections, separators=(",", ":"), ensure_ascii=False),
    }


def with_reminder(row: Row, told: NoteUnsigned) -> Row:
    """Take a reminder in: it says since when the note has waited. The newest counts."""
    new = (told.waiting_since, told.reminder)
    if row["waiting_since"] is not None and (row["waiting_since"], row["reminder"]) >= new:
        return row
    return row | {"waiting_since": told.waiting_since, "reminder": told.reminder}


def settled(row: Row, study: Mapping[str, Any] | None) -> Row:
    """Fill in what follows from the parts together; ``study`` is its row, where one is known.

    A note's age counts from when its wait was told, else from the last image or exposure.
    """
    last = newest(from_text(row["answers"]))
    refused = last is not None and last.outcome is PostingOutcome.REJECTED
    performed = (study["last_at"] or study["changed_at"]) if study is not None else None
    waits_for = row["asks"] if _is_due(row, study) else None
    since = row["waiting_since"] or performed
    return row | {
        "waits_for": waits_for,
        "since": since,
        "open_since": since if waits_for is not None else None,
        "refused": last.words if last is not None and refused else None,
    }


def _asks(note: NoteWritten) -> str | None:
    if note.signer is None:
        return "cosignature" if note.needs_cosign else "signature"
    return "addendum" if note.addendum_proposal is not None else None


def _is_due(row: Row, study: Mapping[str, Any] | None) -> bool:
    """A draft waits for nobody until real work on a patient has ended."""
    if row["asks"] == "addendum":
        return True
    if study is None or not study["closed"] or study["training"]:
        return False
    return bool(study["state"] != StudyState.CANCELLED.value or study["images"] > 0)
