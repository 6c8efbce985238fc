"""Parsers of DICOM objects and of the commands that carry them."""

from __future__ import annotations

import random
import struct
import zlib
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEGBaseline8Bit,
)

from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind
from services.intake.commands import _copy_in
from services.intake.dicom_command import (
    ProtocolViolation,
    fragments,
    read_store_request,
    store_response,
)
from services.intake.document_check import check_document
from services.intake.dose_report_reader import read_dose_report
from services.intake.file_meta import file_head
from services.intake.image_check import check_image
from services.intake.image_files import ImageFolder
from services.intake.image_header import HEADER_TAGS, ImageHeader, StoredFile, read_header
from services.intake.image_structure import check_structure
from services.intake.reported_exposures import told_exposures
from tests import dose_reports, raw_dicom
from tests.fuzz.dicom_shape import DataSetMutator
from tests.fuzz.mutation import Mutator
from tests.fuzz.target import REFUSED, TAKEN, Ready, Target, refused
from tests.intake_support import INTRAORAL, make_image
from tests.messages import message
from tests.record_inputs.codes import north

AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Vienna")
STATION = Device(name="station-1", kind=DeviceKind.STATION, room="dental-1", serial="INV-1")
_FILE = StoredFile("dental-1", "station-1", ExplicitVRLittleEndian, "0" * 64, 1, "x.dcm")


def data_set_bytes(data_set: Dataset, syntax: str = ExplicitVRLittleEndian) -> bytes:
    """Encode a data set alone."""
    buffer = BytesIO()
    implicit, little = syntax == ImplicitVRLittleEndian, syntax != ExplicitVRBigEndian
    copied = Dataset(data_set)
    dcmwrite(buffer, copied, implicit_vr=implicit, little_endian=little)
    return buffer.getvalue()


def rich_image() -> Dataset:
    """An invented image with all that is read of one."""
    tooth = dose_reports.code("108", "invented", "99GOMPHOSIS")
    view = dose_reports.code("right-side", "invented", "99GOMPHOSIS")
    request = Dataset()
    request.ScheduledProcedureStepID = "SPS-1"
    request.ScheduledProtocolCodeSequence = [view]
    return make_image(
        SpecificCharacterSet=["ISO_IR 100"],
        AcquisitionDateTime="20260302102003.5+0100",
        TimezoneOffsetFromUTC="+0100",
        RequestAttributesSequence=[request],
        PrimaryAnatomicStructureSequence=[tooth],
        ViewCodeSequence=[view],
        PatientSpeciesCodeSequence=[dose_reports.code("448771007", "dog", "SCT")],
        ImageLaterality="R",
        XRayTubeCurrent="7",
        XRayTubeCurrentInuA="7000",
        ExposureTime="120",
        ExposureTimeInuS="120000",
        EntranceDose=1,
        EntranceDoseInmGy="1.4",
        ImageAndFluoroscopyAreaDoseProduct="0.3",
        ExposureIndex="400",
        TargetExposureIndex="380",
        DeviationIndex="0.2",
        IrradiationEventUID="2.25.8001",
        DetectorID="INV-S1",
        NumberOfFrames="1",
    )


def small_image() -> Dataset:
    """The same with 4 x 4 pixels, so that changes seldom fall into pixels."""
    image = rich_image()
    image.Rows = image.Columns = 4
    image.PixelData = bytes(range(32))
    image["PixelData"].VR = "OW"
    return image


def _encapsulated() -> bytes:
    image = small_image()
    image.BitsAllocated = image.BitsStored = 8
    image.HighBit = 7
    del image.PixelData
    item = struct.pack("<HHL", 0xFFFE, 0xE000, 0)
    piece = struct.pack("<HHL", 0xFFFE, 0xE000, 4) + b"\xff\xd8\xff\xd9"
    end = struct.pack("<HHL", 0xFFFE, 0xE0DD, 0)
    head = b"\xe0\x7f\x10\x00OB\x00\x00\xff\xff\xff\xff"
    return data_set_bytes(image) + head + item + piece + end


def images() -> tuple[list[bytes], list[bytes]]:
    """Seeds in explicit little endian, and in other forms."""
    plain = [data_set_bytes(small_image()), data_set_bytes(make_image(Rows=None, Columns=None))]
    syntaxes = (ImplicitVRLittleEndian, ExplicitVRBigEndian)
    return plain, [*(data_set_bytes(small_image(), one) for one in syntaxes), _encapsulated()]


def _structure(_folder: Path) -> Ready:
    plain, others = images()
    mutate = DataSetMutator(plain, others)

    def feed(data: bytes) -> str:
        outcome = REFUSED
        for implicit, little in ((False, True), (True, True), (False, False)):
            try:
                check_structure(data, 0, implicit_vr=implicit, little_endian=little)
                outcome = TAKEN
            except InvalidInput as error:
                refused(error)
        return outcome

    return Ready([*plain, *others], mutate, feed)


def _stored(header: ImageHeader) -> None:
    for dropped in header.dropped:
        refused(dropped)
    try:
        stored = header.stored(_FILE)
    except ValueError:  # the door turns pydantic's error into ours
        return
    told = message(stored, occurred_at=header.acquired_at, source_clock=header.source_clock)
    told.encode().decode()


def _header(_folder: Path) -> Ready:
    """Values reached without the structure check; the parser's own errors count as refusals,
    as ``object_check`` has it."""
    plain, others = images()
    head = file_head(INTRAORAL, "2.25.70001", ExplicitVRLittleEndian)

    def feed(data: bytes) -> str:
        stream = BytesIO(head + data)
        try:
            read = dcmread(stream, stop_before_pixels=True, specific_tags=list(HEADER_TAGS))
        except Exception as error:  # noqa: BLE001 - the parser may fail in many ways
            return refused(InvalidInput("data set", str(error), "one that can be parsed"))
        _stored(read_header(read, ZONE, AT))
        return TAKEN

    return Ready(plain, DataSetMutator(plain, others), feed)


def _image(folder: Path) -> Ready:
    plain, others = images()
    images_folder = ImageFolder(folder, 0, 1_000_000)
    syntaxes = (ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian)

    def feed(data: bytes) -> str:
        guess = random.Random(data).random()
        syntax = syntaxes[0] if guess < 0.8 else JPEGBaseline8Bit if guess < 0.9 else syntaxes[1]
        if data in others[:2]:
            syntax = syntaxes[1 + others.index(data)]
        file = images_folder.new_file()
        file.begin(INTRAORAL, "2.25.70001", syntax)
        file.write(data)
        try:
            _stored(check_image(file, ZONE, AT, pixel_statistics=True))
        finally:
            file.discard()
        return TAKEN

    return Ready([*plain, *others], DataSetMutator(plain, others), feed)


def _deflated(folder: Path) -> Ready:
    """Images of the deflated syntax, mutated before they are packed or after."""
    plain, others = images()
    images_folder = ImageFolder(folder, 0, 1_000_000)
    packed, data_sets = Mutator([_packed(one) for one in plain]), DataSetMutator(plain, others)

    def feed(data: bytes) -> str:
        file = images_folder.new_file()
        file.begin(INTRAORAL, "2.25.70001", DeflatedExplicitVRLittleEndian)
        file.write(data)
        try:
            _stored(check_image(file, ZONE, AT, pixel_statistics=True))
        finally:
            file.discard()
        return TAKEN

    def mutate(rng: random.Random) -> bytes:
        return _packed(data_sets(rng)) if rng.random() < 0.5 else packed(rng)

    return Ready([_packed(one) for one in plain], mutate, feed)


def _packed(data_set: bytes) -> bytes:
    packer = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(data_set) + packer.flush()


def _imported(folder: Path) -> Ready:
    """Whole files with their meta information, as 'gomphosis import' reads them."""
    path = folder / "one.dcm"
    images_folder = ImageFolder(folder / "images", 0, 1_000_000)
    head = file_head(INTRAORAL, "2.25.70001", ExplicitVRLittleEndian)
    plain, others = images()
    seeds = [head + plain[0], b"\x00" * 128 + b"DICM"]
    heads, data_sets = Mutator([head]), DataSetMutator(plain, others)

    def feed(data: bytes) -> str:
        path.write_bytes(data)
        file = images_folder.new_file()
        try:
            if not _copy_in(path, file):
                return REFUSED
            _stored(check_image(file, ZONE, AT, pixel_statistics=True))
        finally:
            file.discard()
        return TAKEN

    def mutate(rng: random.Random) -> bytes:
        whole = rng.random() < 0.4
        return (head if whole else heads(rng)) + (data_sets(rng) if whole else plain[0])

    return Ready(seeds, mutate, feed)


def _report(folder: Path) -> Ready:
    reports = ImageFolder(folder, 0, 1_000_000)
    role = dose_reports.irradiating_device("INVENTED-0001")
    event = dose_reports.event(role=role)
    seeds = [
        data_set_bytes(dose_reports.device_report(event)),
        data_set_bytes(dose_reports.device_report(event, dose_reports.observer_serial("INV-1"))),
        data_set_bytes(dose_reports.text_report()),
    ]
    site = north()

    def feed(data: bytes) -> str:
        file = reports.new_file()
        wanted = dose_reports.BASIC_TEXT if b"88.11" in data else dose_reports.DOSE_REPORT
        file.begin(wanted, "2.25.9001", ExplicitVRLittleEndian)
        file.write(data)
        try:
            header = check_document(file, ZONE, AT)
        finally:
            file.discard()
        report = read_dose_report(header.content)
        exposures, unusable = told_exposures(header, report, site, "station-1", "dental-1")
        for error in (*report.unusable, *report.odd, *unusable, *header.dropped):
            refused(error)
        for one in exposures:
            message(one.exposure, occurred_at=one.ended_at.astimezone(UTC)).encode().decode()
        return TAKEN

    return Ready(seeds, DataSetMutator(seeds), feed)


def _command(_folder: Path) -> Ready:
    whole = raw_dicom.fragment(3, raw_dicom.store_command("2.25.1"))
    more = raw_dicom.fragment(3, raw_dicom.echo_command()) + raw_dicom.fragment(2, b"data")
    seeds = [whole, more, whole + more]
    tokens = (raw_dicom.element(0x0100, b"\x01\x00"), raw_dicom.fragment(2, b""))

    def feed(body: bytes) -> str:
        command = b""
        outcome = TAKEN
        try:
            for one in fragments(memoryview(body)):
                if one.is_command:
                    command += bytes(one.data)
                if not one.is_last:
                    continue
                request = read_store_request(one.context_id, command)
                command = b""
                if request is not None:
                    str((request.sop_class_uid, request.sop_instance_uid)).encode()
                    for length in (0, 128, 16_384):
                        b"".join(store_response(request, 0xC000, "invented", length))
        except ProtocolViolation:
            outcome = REFUSED
        return outcome

    return Ready(seeds, Mutator(seeds, tokens), feed)


TARGETS = (
    Target("dicom-command", _command),
    Target("image-structure", _structure),
    Target("image-header", _header),
    Target("image-check", _image),
    Target("image-deflated", _deflated),
    Target("import-file", _imported),
    Target("dose-report", _report),
)
