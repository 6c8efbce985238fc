"""Keeping an image: checked, durable on disk, then its fact. The same way for every door."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import structlog
from pydantic import ValidationError
from sqlalchemy import select

from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.group import Site
from schemas.messages import invalid_input
from services.intake.accept import AlreadyKnown, Outcome, accept
from services.intake.count import count_outcomes
from services.intake.image_check import check_image
from services.intake.image_files import ImageFolder, IncomingFile
from services.intake.image_header import ImageHeader, StoredFile
from services.intake.store import IMAGE
from services.runtime import triage
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Sender:
    """Who brings an image, and by which door (``dicom`` or ``file``)."""

    site: Site
    station: str
    room: str | None
    origin: str


class ImageIntake:
    """Keeps images of one group. Safe to use from many threads."""

    def __init__(
        self, service: str, group: str, store: Store, relay: Relay, folder: ImageFolder
    ) -> None:
        self.folder = folder
        self._service = service
        self._group = group
        self._store = store
        self._relay = relay

    def keep(self, file: IncomingFile, sender: Sender) -> Outcome:
        """Keep a written file as an image; return once file and fact are both durable.

        Raises
        ------
        InvalidInput
            The object cannot be kept; pass the file to ``refuse``.
        OSError, StoreUnavailable
            The disk or the store cannot take it now. The sender must keep it and try again.
        """
        received_at = datetime.now(UTC)
        header = check_image(file, sender.site.zone, received_at)
        day = header.acquired_at.astimezone(sender.site.zone)
        wanted = Path(sender.site.name, f"{day:%Y}", f"{day:%m}", f"{day:%d}")
        wanted /= f"{header.sop_instance_uid}.dcm"
        # The fact must be sound before the file gets its name.
        message = self._fact(header, file, wanted, sender, received_at)
        path = self.folder.publish(file, wanted)
        if path != wanted:
            message = self._fact(header, file, path, sender, received_at)
        with self._store.begin() as connection:
            outcomes = accept(connection, self._service, [message], sender.origin)
        self._relay.wake()
        count_outcomes([message], outcomes)
        for dropped in header.dropped:
            log.info(
                "image_attribute_dropped",
                station=sender.station,
                sop_instance_uid=header.sop_instance_uid,
                field=dropped.field,
                expected=dropped.expected,
            )
        if isinstance(outcomes[0], AlreadyKnown):
            # Without a date of its own, the copy that is known may lie under another day.
            self._drop_second_copy(path, header.sop_instance_uid, file.sha256)
        return outcomes[0]

    def refuse(self, file: IncomingFile, sender: Sender, error: InvalidInput) -> Path:
        """Put an object that cannot be used aside and tell a person; give its relative path.

        Raises OSError or StoreUnavailable where even that is impossible now.
        """
        path = self.folder.reject(file)
        body = {
            "path": str(path),
            "site": sender.site.name,
            "station": sender.station,
            "sop_class_uid": file.sop_class_uid,
            "sop_instance_uid": file.sop_instance_uid,
            "transfer_syntax_uid": file.transfer_syntax_uid,
            "size_bytes": file.size_bytes,
        }
        # Always 'dicom': what is kept is a file, and only an import of the mended file replays it.
        entry = triage.Kept(
            self._service, "dicom", error, json.dumps(body).encode(), kind="image_stored"
        )
        with self._store.begin() as connection:
            triage.keep(connection, [entry])
        log.warning(
            "image_refused",
            station=sender.station,
            site=sender.site.name,
            sop_instance_uid=file.sop_instance_uid,
            field=error.field,
            expected=error.expected,
            path=str(path),
        )
        return path

    def _fact(
        self,
        header: ImageHeader,
        file: IncomingFile,
        path: Path,
        sender: Sender,
        received_at: datetime,
    ) -> Message[Payload]:
        stored = StoredFile(
            room=sender.room,
            station=sender.station,
            transfer_syntax_uid=file.transfer_syntax_uid,
            sha256=file.sha256,
            size_bytes=file.size_bytes,
            path=str(path),
        )
        try:
            payload = header.stored(stored)
        except ValidationError as error:
            raise invalid_input(error, "image") from error
        return Message(
            id=new_id(),
            group=self._group,
            site=sender.site.name,
            occurred_at=header.acquired_at.astimezone(UTC),
            source_clock=header.source_clock,
            received_at=received_at,
            source=Source(kind="device", name=sender.station),
            correlation_id=f"study-{header.study_instance_uid}",
            payload=payload,
        )

    def _drop_second_copy(self, path: Path, sop_instance_uid: str, sha256: str) -> None:
        known = select(IMAGE.c.path).where(
            IMAGE.c.sop_instance_uid == sop_instance_uid, IMAGE.c.sha256 == sha256
        )
        with self._store.read() as connection:
            paths = set(connection.execute(known).scalars())
        if paths and str(path) not in paths:
            self.folder.withdraw(path)
