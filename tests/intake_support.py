"""An invented group, its intake running in this process, and invented DICOM objects."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from threading import Event, Thread
from typing import Any

import yaml
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import ExplicitVRLittleEndian
from pynetdicom import AE
from pynetdicom.association import Association
from pynetdicom.pdu_primitives import A_ASSOCIATE
from sqlalchemy import Row, select

from schemas.channels import SUBSCRIPTIONS
from schemas.envelope import Message, Payload
from schemas.messages import parse
from services.intake.service import build
from services.intake.store import FACT, IMAGE
from services.runtime import triage
from services.runtime.service import Runtime, Service, open_runtime
from services.runtime.settings import BusSettings, IntakeSettings, Settings, StoreSettings
from services.runtime.tables import OUTBOX
from tests.newest_schema import bring_to_newest
from tests.servers.polling import wait_until

INTRAORAL = "1.2.840.10008.5.1.4.1.1.1.3"
CT = "1.2.840.10008.5.1.4.1.1.2"
WORKLIST = "1.2.840.10008.5.1.4.31"
HOST = "127.0.0.1"

TOKENS = {
    "generator-1": "invented-token-generator",
    "record-north": "invented-token-record",
    "tablet-1": "invented-token-tablet",
    "vet-1": "invented-token-vet",
    "tech-1": "invented-token-tech",
    "console-1": "invented-token-console",
}


def _hash(name: str) -> str:
    return hashlib.sha256(TOKENS[name].encode()).hexdigest()


GROUP: dict[str, Any] = {
    "name": "invented-group",
    "title": "Invented Group",
    "sites": [
        {
            "name": "north",
            "title": "Invented Hospital North",
            "time_zone": "Europe/Vienna",
            "called_ae_title": "GOMPHOSIS",
            "rooms": ["dental-1", "dental-2"],
            "tariff": "invented",
            "devices": [
                {
                    "name": "station-1",
                    "kind": "station",
                    "room": "dental-1",
                    "ae_title": "STATION1",
                    "addresses": ["127.0.0.0/8"],
                },
                {
                    "name": "station-2",
                    "kind": "station",
                    "room": "dental-2",
                    "ae_title": "STATION2",
                    "addresses": ["127.0.0.0/8"],
                },
                {
                    "name": "station-far",
                    "kind": "station",
                    "room": "dental-2",
                    "ae_title": "FAR",
                    "addresses": ["192.0.2.0/24"],
                },
                {
                    "name": "generator-1",
                    "kind": "generator",
                    "room": "dental-1",
                    "serial": "INVENTED-0001",
                    "token_sha256": _hash("generator-1"),
                },
                {
                    "name": "record-north",
                    "kind": "record",
                    "token_sha256": _hash("record-north"),
                },
                {"name": "tablet-1", "kind": "tablet", "token_sha256": _hash("tablet-1")},
                {"name": "console-1", "kind": "console", "token_sha256": _hash("console-1")},
            ],
            "people": [
                {
                    "name": "vet-1",
                    "title": "Invented Vet",
                    "roles": ["vet"],
                    "token_sha256": _hash("vet-1"),
                },
                {
                    "name": "tech-1",
                    "title": "Invented Technician",
                    "roles": ["technician"],
                    "token_sha256": _hash("tech-1"),
                },
            ],
        },
        {
            "name": "south",
            "title": "Invented Hospital South",
            "time_zone": "Europe/Vienna",
            "called_ae_title": "GOMPH_SOUTH",
            "rooms": ["dental-9"],
            "tariff": "invented",
            "devices": [
                {
                    "name": "station-9",
                    "kind": "station",
                    "room": "dental-9",
                    "ae_title": "STATION9",
                    "addresses": ["127.0.0.0/8"],
                }
            ],
        },
    ],
}


@dataclass
class Intake:
    """A running intake: its ports, and what it has kept."""

    runtime: Runtime
    service: Service
    dicom_port: int
    http_port: int
    threads: list[Thread] = field(default_factory=list)
    stop: Event = field(default_factory=Event)

    @property
    def images(self) -> Path:
        return self.runtime.settings.images_dir

    @property
    def facts_url(self) -> str:
        return f"http://{HOST}:{self.http_port}/facts"

    def facts(self, kind: str | None = None) -> list[Message[Payload]]:
        query = select(FACT.c.body).order_by(FACT.c.id)
        if kind is not None:
            query = query.where(FACT.c.kind == kind)
        with self.runtime.store.read() as connection:
            return [parse(body) for body in connection.execute(query).scalars()]

    def triage(self) -> Sequence[Row[tuple[object, ...]]]:
        with self.runtime.store.read() as connection:
            return triage.entries(connection)

    def image_rows(self) -> Sequence[Row[tuple[object, ...]]]:
        with self.runtime.store.read() as connection:
            return connection.execute(select(IMAGE)).all()

    def outbox(self) -> list[Message[Payload]]:
        """What waits to be published; nothing relays here."""
        with self.runtime.store.read() as connection:
            query = select(OUTBOX.c.body).order_by(OUTBOX.c.id)
            return [parse(body) for body in connection.execute(query).scalars()]

    def kept_files(self) -> list[str]:
        """Every file in the image folder, relative, whatever its name."""
        return sorted(
            str(path.relative_to(self.images)) for path in self.images.rglob("*") if path.is_file()
        )


@contextmanager
def running_intake(
    data_dir: Path,
    store_url: str = "",
    worker: bool = False,
    group: dict[str, Any] | None = None,
    bus_url: str = "",
    **intake: Any,
) -> Iterator[Intake]:
    """Run intake's doors on free ports of loopback, without relay or, mostly, worker."""
    group_dir = data_dir / "group"
    group_dir.mkdir(parents=True, exist_ok=True)
    (group_dir / "group.yaml").write_text(yaml.safe_dump(group or GROUP), encoding="utf-8")
    options = {"dicom_port": 0, "http_port": 0, "min_free_bytes": 0} | intake
    settings = Settings(
        data_dir=data_dir,
        group_dir=group_dir,
        store=StoreSettings.model_validate({"url": store_url}),
        bus=BusSettings.model_validate({"url": bus_url}),
        intake=IntakeSettings.model_validate(options),
    )
    runtime = open_runtime("intake", settings)
    bring_to_newest(runtime.store)
    runtime.bus.declare(SUBSCRIPTIONS)
    service = build(runtime)
    loops = {loop.name: loop for loop in service.loops if worker or loop.name != "worker"}
    ports = {
        name: loop.run.__self__.port  # type: ignore[attr-defined]
        for name, loop in loops.items()
        if name in ("dicom", "http")
    }
    running = Intake(runtime, service, ports["dicom"], ports["http"])
    for loop in loops.values():
        thread = Thread(target=loop.run, args=(running.stop,), name=f"test-{loop.name}")
        thread.start()
        running.threads.append(thread)
    try:
        wait_until(lambda: all(loop.ready() for loop in loops.values()), 20, "intake to be ready")
        yield running
    finally:
        running.stop.set()
        for thread in running.threads:
            thread.join()
        service.close()
        runtime.bus.close()
        runtime.store.close()


def make_image(number: int = 1, **changes: Any) -> Dataset:
    """Make an invented intraoral image of 32 x 24 pixels; a change of None removes an attribute."""
    image = Dataset()
    image.SOPClassUID = INTRAORAL
    image.SOPInstanceUID = f"2.25.7000{number}"
    image.StudyInstanceUID = "2.25.1001"
    image.SeriesInstanceUID = "2.25.1002"
    image.Modality = "IO"
    image.PatientID = "P-1001"
    image.PatientName = "Invented Pepper"
    image.ResponsiblePerson = "Invented Owner"
    image.AccessionNumber = "A1001"
    image.AcquisitionDate = "20260302"
    image.AcquisitionTime = "102003"
    image.KVP = "65"
    image.Rows, image.Columns = 32, 24
    image.SamplesPerPixel, image.BitsAllocated = 1, 16
    image.BitsStored, image.HighBit, image.PixelRepresentation = 12, 11, 0
    image.PhotometricInterpretation = "MONOCHROME2"
    image.PixelData = bytes(number % 251 for _ in range(32 * 24 * 2))
    image["PixelData"].VR = "OW"
    for keyword, value in changes.items():
        if value is None:
            delattr(image, keyword)
        else:
            setattr(image, keyword, value)
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    image.file_meta.MediaStorageSOPClassUID = image.SOPClassUID
    image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    return image


def write_file(image: Dataset, path: Path) -> Path:
    dcmwrite(path, image, enforce_file_format=True)
    return path


def encoded(image: Dataset) -> bytes:
    """The data set alone, in Explicit VR Little Endian."""
    buffer = BytesIO()
    dcmwrite(buffer, image, implicit_vr=False, little_endian=True, enforce_file_format=False)
    content = buffer.getvalue()
    start = content.index(b"\x08\x00")
    return content[start:]


@contextmanager
def association(
    port: int,
    *classes: str,
    calling: str = "STATION1",
    called: str = "GOMPHOSIS",
    syntaxes: Sequence[str] = (ExplicitVRLittleEndian,),
) -> Iterator[Association]:
    """Associate as a station does; the association may have been rejected."""
    entity = AE(ae_title=calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 30
    for one in classes:
        entity.add_requested_context(one, list(syntaxes))
    made = entity.associate(HOST, port, ae_title=called)
    try:
        yield made
    finally:
        if made.is_established:
            made.release()


def rejection(peer: Association) -> tuple[int, int, int] | None:
    """Give result, source and reason of the association's rejection (PS3.8); None without one.

    Also where pynetdicom's reader closed the socket before its requestor looked at it: then the
    answer lies unread, and the requestor believes that it never connected.
    """
    answer = peer.acceptor.primitive or peer.dul.peek_next_pdu()
    if not isinstance(answer, A_ASSOCIATE) or not answer.result:
        return None
    return answer.result, answer.result_source, answer.diagnostic


def send(port: int, image: Dataset, **titles: str) -> Dataset:
    """Send one image and give the status data set."""
    with association(port, str(image.file_meta.MediaStorageSOPClassUID), **titles) as peer:
        assert peer.is_established
        answer: Dataset = peer.send_c_store(image)
        return answer
