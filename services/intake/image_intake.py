"""Keeping an image or a report: checked, durable on disk, then its facts.

The same way for every door. A dose report's exposures become facts in the same transaction.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import structlog
from pydantic import ValidationError
from sqlalchemy import Connection, select

from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.group import Site
from schemas.messages import invalid_input
from services.intake.accept import AlreadyKnown, Outcome, accept
from services.intake.count import count_outcomes
from services.intake.document_check import check_document
from services.intake.document_header import DocumentHeader
from services.intake.dose_report_reader import read_dose_report
from services.intake.image_check import check_image
from services.intake.image_files import ImageFolder, IncomingFile
from services.intake.image_header import ImageHeader, StoredFile
from services.intake.reported_exposures import ToldExposure, told_exposures
from services.intake.shared_commit import SharedCommit
from services.intake.sop_classes import DOCUMENT_CLASSES, DOSE_REPORT
from services.intake.store import IMAGE
from services.runtime import triage
from services.runtime.kept_images import image_place
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_MOST_LOGGED = 50  # of one object: a hostile one must not fill the log


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
        self,
        service: str,
        group: str,
        store: Store,
        relay: Relay,
        folder: ImageFolder,
        *,
        pixel_statistics: bool = True,
    ) -> None:
        self.folder = folder
        self._pixel_statistics = pixel_statistics
        self._service = service
        self._group = group
        self._store = store
        self._commits = SharedCommit(store)
        self._relay = relay

    def keep(self, file: IncomingFile, sender: Sender) -> Outcome:
        """Keep a written file as an image or report; return once file and fact are both durable.

        Raises
        ------
        InvalidInput
            The object cannot be kept; pass the file to ``refuse``.
        OSError, StoreUnavailable
            The disk or the store cannot take it now. The sender must keep it and try again.
        """
        received_at = datetime.now(UTC)
        file.begin_sync()  # while it is checked
        header = self._check(file, sender, received_at)
        wanted = image_place(sender.site, header.sop_instance_uid, header.acquired_at)
        # The facts must be sound before the file gets its name.
        message = self._fact(header, file, wanted, sender, received_at)
        told, unusable = self._exposures(header, sender)
        more = [self._exposure_fact(one, sender, received_at) for one in told]
        path = self.folder.publish(file, wanted)
        if path != wanted:
            message = self._fact(header, file, path, sender, received_at)
        messages = [message, *more]

        def keep_facts(connection: Connection) -> list[Outcome]:
            outcomes = accept(connection, self._service, messages, sender.origin)
            if unusable and not isinstance(outcomes[0], AlreadyKnown):
                triage.keep(connection, [self._unusable(header, file, path, sender, unusable)])
            return outcomes

        outcomes = self._commits.run(keep_facts)
        self._relay.wake()
        count_outcomes(messages, outcomes)
        self._log_dropped(header, sender)
        if isinstance(outcomes[0], AlreadyKnown):
            # Without a date of its own, the copy that is known may lie under another day.
            self._drop_second_copy(path, header.sop_instance_uid, file.sha256)
        return outcomes[0]

    def refuse(self, file: IncomingFile, sender: Sender, error: InvalidInput) -> Path | None:
        """Put an object that cannot be used aside and tell a person; give its relative path, or
        None where there is no file, since not even its UIDs could be written.

        Raises OSError or StoreUnavailable where even that is impossible now.
        """
        path = self.folder.reject(file) if file.is_open else None
        body = {
            "path": None if path is None else str(path),
            "site": sender.site.name,
            "station": sender.station,
            "sop_class_uid": file.sop_class_uid,
            "sop_instance_uid": file.sop_instance_uid,
            "transfer_syntax_uid": file.transfer_syntax_uid,
            "size_bytes": file.size_bytes,
        }
        # Always 'dicom': what is kept is a file, and only an import of the mended file replays it.
        kind = "document_stored" if file.sop_class_uid in DOCUMENT_CLASSES else "image_stored"
        entry = triage.Kept(self._service, "dicom", error, json.dumps(body).encode(), kind=kind)
        with self._store.begin() as connection:
            triage.keep(connection, [entry])
        log.warning(
            "image_refused",
            station=sender.station,
            site=sender.site.name,
            sop_instance_uid=file.sop_instance_uid,
            field=error.field,
            expected=error.expected,
            path=body["path"],
        )
        return path

    def _check(
        self, file: IncomingFile, sender: Sender, received_at: datetime
    ) -> ImageHeader | DocumentHeader:
        if file.sop_class_uid in DOCUMENT_CLASSES:
            return check_document(file, sender.site.zone, received_at)
        return check_image(
            file, sender.site.zone, received_at, pixel_statistics=self._pixel_statistics
        )

    def _exposures(
        self, header: ImageHeader | DocumentHeader, sender: Sender
    ) -> tuple[list[ToldExposure], list[InvalidInput]]:
        """Read what a dose report tells; the second list holds its events that cannot be used."""
        if not isinstance(header, DocumentHeader) or header.sop_class_uid != DOSE_REPORT:
            return [], []
        if header.ours:
            # Its figures rest on facts that we have; read back, an estimate would pass for a
            # device's own.
            log.info("own_dose_report_kept", sop_instance_uid=header.sop_instance_uid)
            return [], []
        report = read_dose_report(header.content)
        for one in report.exposures:
            for note in one.notes:
                log.info(
                    "dose_report_derived",
                    station=sender.station,
                    sop_instance_uid=header.sop_instance_uid,
                    item=one.place,
                    note=note,
                )
        for odd in report.odd[:_MOST_LOGGED]:
            log.warning(
                "dose_report_value_dropped",
                station=sender.station,
                sop_instance_uid=header.sop_instance_uid,
                field=odd.field,
                expected=odd.expected,
            )
        return told_exposures(header, report, sender.site, sender.station, sender.room)

    def _fact(
        self,
        header: ImageHeader | DocumentHeader,
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
            sensor=sender.site.sensor_of(_detector_of(header)),
        )
        try:
            payload: Payload = header.stored(stored)
        except ValidationError as error:
            what = "report" if isinstance(header, DocumentHeader) else "image"
            raise invalid_input(error, what) from error
        return self._message(payload, header.acquired_at, header.source_clock, sender, received_at)

    def _exposure_fact(
        self, told: ToldExposure, sender: Sender, received_at: datetime
    ) -> Message[Payload]:
        return self._message(told.exposure, told.ended_at, told.source_clock, sender, received_at)

    def _message(
        self,
        payload: Payload,
        occurred_at: datetime,
        source_clock: str | None,
        sender: Sender,
        received_at: datetime,
    ) -> Message[Payload]:
        study = getattr(payload, "study_instance_uid", None)
        return Message(
            id=new_id(),
            group=self._group,
            site=sender.site.name,
            occurred_at=occurred_at.astimezone(UTC),
            source_clock=source_clock,
            received_at=received_at,
            source=Source(kind="device", name=sender.station),
            correlation_id=f"study-{study}",
            payload=payload,
        )

    def _unusable(
        self,
        header: ImageHeader | DocumentHeader,
        file: IncomingFile,
        path: Path,
        sender: Sender,
        unusable: list[InvalidInput],
    ) -> triage.Kept:
        """Tell a person of a kept report's events that could not become exposures."""
        for error in unusable[:_MOST_LOGGED]:
            log.warning(
                "dose_report_event_unusable",
                station=sender.station,
                sop_instance_uid=header.sop_instance_uid,
                field=error.field,
                expected=error.expected,
            )
        body = {
            "path": str(path),
            "site": sender.site.name,
            "station": sender.station,
            "sop_class_uid": file.sop_class_uid,
            "sop_instance_uid": file.sop_instance_uid,
            "unusable": [str(error) for error in unusable[:_MOST_LOGGED]],
            "unusable_events": len(unusable),
        }
        return triage.Kept(
            self._service, "dicom", unusable[0], json.dumps(body).encode(), kind="exposure_ended"
        )

    def _log_dropped(self, header: ImageHeader | DocumentHeader, sender: Sender) -> None:
        for dropped in header.dropped[:_MOST_LOGGED]:
            log.info(
                "image_attribute_dropped",
                station=sender.station,
                sop_instance_uid=header.sop_instance_uid,
                field=dropped.field,
                expected=dropped.expected,
            )
        detector = _detector_of(header)
        if detector is not None and sender.site.sensor_of(detector) is None:
            log.info(
                "detector_not_listed",
                station=sender.station,
                site=sender.site.name,
                detector_id=detector,
            )

    def _drop_second_copy(self, path: Path, sop_instance_uid: str, sha256: str) -> None:
        known = select(IMAGE.c.path).where(
            IMAGE.c.sop_instance_uid == sop_instance_uid, IMAGE.c.sha256 == sha256
        )
        with self._store.read() as connection:
            paths = set(connection.execute(known).scalars())
        if paths and str(path) not in paths:
            self.folder.withdraw(path)


def _detector_of(header: ImageHeader | DocumentHeader) -> str | None:
    return header.detector_id if isinstance(header, ImageHeader) else None
