"""Closed studies, and which record is told of which content of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydicom.uid import generate_uid
from sqlalchemy import ColumnElement, Connection, and_, bindparam, select, update

from schemas.envelope import Message, Payload
from schemas.facts import DocumentStored, ImageStored, StudyClosed
from services.intake.outgoing_waits import LONGEST_WAIT
from services.intake.store import AVAILABILITY, CLOSED_STUDY
from services.runtime.due import is_due
from services.runtime.upsert import add_row, replace_row

# Built here once: it runs for every image, and its making took longer.
_LOOK_AGAIN = (
    update(CLOSED_STUDY)
    .where(
        CLOSED_STUDY.c.site == bindparam("at"),
        CLOSED_STUDY.c.study_instance_uid == bindparam("study"),
    )
    .values(look_at=bindparam("now"))
)


@dataclass(frozen=True, slots=True)
class DueNotice:
    """A notice that a record waits for. Its UID stays, so that a repeat is recognised."""

    site: str
    study_instance_uid: str
    device: str
    content_sha256: str
    notice_instance_uid: str
    attempts: int


def note_fact(connection: Connection, message: Message[Payload]) -> None:
    """Note a study's closing, and anything stored of a study that is closed."""
    payload = message.payload
    now = datetime.now(UTC)
    if isinstance(payload, StudyClosed):
        study = {"site": message.site, "study_instance_uid": payload.study_instance_uid}
        replace_row(connection, CLOSED_STUDY, {**study, "look_at": now})
    elif isinstance(payload, ImageStored | DocumentStored):
        connection.execute(
            _LOOK_AGAIN,
            {"at": message.site, "study": payload.study_instance_uid, "now": now},
        )


def to_look_at(connection: Connection, now: datetime) -> list[tuple[str, str, datetime]]:
    """List closed studies that something has changed of: site, study, and since when it is due."""
    query = select(CLOSED_STUDY).where(is_due(CLOSED_STUDY.c.look_at, now, LONGEST_WAIT)).limit(50)
    return [(row.site, row.study_instance_uid, row.look_at) for row in connection.execute(query)]


def looked_at(
    connection: Connection, site: str, study: str, due_at: datetime, again_at: datetime | None
) -> None:
    """Set when a study is looked at next, unless something has changed since it was due."""
    connection.execute(
        update(CLOSED_STUDY)
        .where(_is_study(site, study), CLOSED_STUDY.c.look_at == due_at)
        .values(look_at=again_at)
    )


def owe_notice(
    connection: Connection, site: str, study_instance_uid: str, device: str, content_sha256: str
) -> None:
    """Owe a device a notice of this content, unless it had or has one; older ones are dropped."""
    connection.execute(
        update(AVAILABILITY)
        .where(
            AVAILABILITY.c.site == site,
            AVAILABILITY.c.study_instance_uid == study_instance_uid,
            AVAILABILITY.c.device == device,
            AVAILABILITY.c.content_sha256 != content_sha256,
            AVAILABILITY.c.due_at.is_not(None),
        )
        .values(due_at=None)
    )
    notice = {
        "site": site,
        "study_instance_uid": study_instance_uid,
        "device": device,
        "content_sha256": content_sha256,
        "notice_instance_uid": str(generate_uid(prefix=None)),
        "attempts": 0,
        "due_at": datetime.now(UTC),
    }
    add_row(connection, AVAILABILITY, notice)


def due(connection: Connection, now: datetime) -> Sequence[DueNotice]:
    query = select(AVAILABILITY).where(is_due(AVAILABILITY.c.due_at, now, LONGEST_WAIT))
    return [
        DueNotice(
            row.site,
            row.study_instance_uid,
            row.device,
            row.content_sha256,
            row.notice_instance_uid,
            row.attempts,
        )
        for row in connection.execute(query.order_by(AVAILABILITY.c.due_at).limit(200))
    ]


def put_off(connection: Connection, notice: DueNotice, due_at: datetime) -> None:
    connection.execute(
        update(AVAILABILITY)
        .where(_is(notice), AVAILABILITY.c.due_at.is_not(None))
        .values(attempts=AVAILABILITY.c.attempts + 1, due_at=due_at)
    )


def told(connection: Connection, notice: DueNotice) -> None:
    connection.execute(update(AVAILABILITY).where(_is(notice)).values(due_at=None))


def _is_study(site: str, study_instance_uid: str) -> ColumnElement[bool]:
    return and_(
        CLOSED_STUDY.c.site == site, CLOSED_STUDY.c.study_instance_uid == study_instance_uid
    )


def _is(notice: DueNotice) -> ColumnElement[bool]:
    return and_(
        AVAILABILITY.c.site == notice.site,
        AVAILABILITY.c.study_instance_uid == notice.study_instance_uid,
        AVAILABILITY.c.device == notice.device,
        AVAILABILITY.c.content_sha256 == notice.content_sha256,
    )
