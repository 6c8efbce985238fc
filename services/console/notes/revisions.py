"""The revisions of a note that the console still has, read from its own table."""

from dataclasses import dataclass
from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import Connection, select

from schemas.conclusions import NoteSection
from services.console.tables import NOTE_REVISION

_SECTIONS = TypeAdapter(tuple[NoteSection, ...])


@dataclass(frozen=True, slots=True)
class Revision:
    """A note's sections at a revision."""

    revision: int
    content_sha256: str
    state: str
    told_at: datetime
    sections: tuple[NoteSection, ...]


def revisions_of(connection: Connection, site: str, study: str) -> list[Revision]:
    """Give the kept revisions of a note, the newest first.

    Of those that follow each other and say the same only the first is given.
    """
    own = NOTE_REVISION.c
    rows = connection.execute(
        select(NOTE_REVISION)
        .where(own.site == site, own.study_instance_uid == study)
        .order_by(own.revision)
    ).all()
    found: list[Revision] = []
    for row in rows:
        if found and found[-1].content_sha256 == row.content_sha256:
            continue
        found.append(
            Revision(
                row.revision,
                row.content_sha256,
                row.state,
                row.told_at,
                _SECTIONS.validate_json(row.sections),
            )
        )
    return found[::-1]


def revision_that_said(
    connection: Connection, site: str, study: str, content_sha256: str
) -> Revision | None:
    """Find the kept revision with this content."""
    kept = revisions_of(connection, site, study)
    return next((one for one in kept if one.content_sha256 == content_sha256), None)
