"""Imaging stations: small invented intraoral images, sent by C-STORE until acknowledged."""

from __future__ import annotations

import socket
import struct
from datetime import datetime, timedelta
from functools import cache
from io import BytesIO

import numpy as np
from pydicom.filewriter import dcmwrite

from demo.intraoral_object import Acquisition, intraoral_object
from schemas.plans import View as PlanView
from tests.bench.invented_images import scheduled_step
from tests.faults.doors import Address
from tests.faults.invented_group import CALLED, VIEWS, Hospital
from tests.faults.invented_work import PlannedStudy, Shot
from tests.faults.patience import Trouble
from tests.raw_dicom import (
    ACCEPT,
    COMMAND,
    DATA,
    LAST,
    RawPeer,
    association_request,
    fragment,
    pdu,
    store_command,
)

SIDE_PIXELS = 32
IMAGE_AFTER_S = 2.1
TIMEOUT_S = 20.0
SUCCESS = 0x0000

_STUDY = f"2.25.{3 * 10**37}"
_SOP = f"2.25.{3 * 10**37 + 1}"
_SERIES = f"2.25.{3 * 10**37 + 2}"
_ACCESSION = "INVAXXXXXXXXX"
_PATIENT = "INVYYY-YYYYYY"
_AT = datetime.fromisoformat("1999-12-31T23:59:58.765432+00:00")


@cache
def _form(view: str) -> bytes:
    """Encode an image of a view once; what differs from image to image is put in later."""
    scheduled = scheduled_step(_STUDY, _ACCESSION)
    scheduled.PatientID = _PATIENT
    shown = PlanView.model_validate(
        PlanView.EXAMPLES[0]
        | {"code": view, "name": f"{view} (invented)", "teeth": VIEWS[view].teeth},
        strict=False,
    )
    acquisition = Acquisition(
        scheduled=scheduled,
        view=shown,
        labelled=True,
        sop_instance_uid=_SOP,
        series_instance_uid=_SERIES,
        number=1,
        acquired_at=_AT,
        tube_kv=65.0,
        tube_current_ma=7.0,
        exposure_ms=120.0,
        pixel_pitch_mm=0.5,
    )
    pixels = np.arange(SIDE_PIXELS * SIDE_PIXELS, dtype=np.uint16).reshape(SIDE_PIXELS, -1)
    made = intraoral_object(acquisition, pixels)
    buffer = BytesIO()
    del made.file_meta
    dcmwrite(buffer, made, implicit_vr=False, little_endian=True)
    return buffer.getvalue()


def data_set(study: PlannedStudy, shot: Shot) -> bytes:
    """Give the data set of a shot's image, in Explicit VR Little Endian."""
    at = shot.at + timedelta(seconds=IMAGE_AFTER_S)
    series = str(study.study)[:-1] + "7"
    body = _form(shot.view)
    for before, after in (
        (_STUDY, study.study),
        (_SOP, shot.image or ""),
        (_SERIES, series),
        (_ACCESSION, study.accession),
        (_PATIENT, study.patient),
        (_AT.strftime("%Y%m%d"), f"{at:%Y%m%d}"),
        (_AT.strftime("%H%M%S.%f"), f"{at:%H%M%S.%f}"),
    ):
        if len(before) != len(after):
            raise ValueError(f"expected {after!r} as long as {before!r}")
        body = body.replace(before.encode(), after.encode())
    return body


class Station:
    """The station of one room, with one association that it keeps open. For one thread."""

    def __init__(self, address: Address, hospital: Hospital, room: str) -> None:
        self._address = address
        self._calling = hospital.ae_title(room)
        self._peer: RawPeer | None = None

    def store(self, sop_instance_uid: str, body: bytes) -> int:
        """Send an image once; give the status (PS3.4 annex B). Raises Trouble."""
        try:
            peer = self._peer or self._associate()
            self._peer = peer
            peer.send(
                pdu(DATA, fragment(COMMAND | LAST, store_command(sop_instance_uid))),
                pdu(DATA, fragment(LAST, body)),
            )
            return peer.read_status()
        except (OSError, AssertionError, struct.error, KeyError, IndexError) as error:
            # Cut, aborted or half an answer: whichever, nothing was promised.
            self.close()
            raise Trouble(f"C-STORE of {sop_instance_uid}: {error!r}") from error

    def store_taken(self, sop_instance_uid: str, body: bytes) -> None:
        """Send an image; raise Trouble unless it was taken."""
        status = self.store(sop_instance_uid, body)
        if status != SUCCESS:
            self.close()
            raise Trouble(f"C-STORE of {sop_instance_uid}: status {status:04X}")

    def close(self) -> None:
        if self._peer is not None:
            self._peer.connection.close()
            self._peer = None

    def _associate(self) -> RawPeer:
        connection = socket.create_connection(self._address, timeout=TIMEOUT_S)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer = RawPeer(connection)
        peer.send(association_request(calling=self._calling, called=CALLED))
        kind, _ = peer.read()
        if kind != ACCEPT:
            connection.close()
            raise Trouble(f"{self._calling}: association not accepted ({kind})")
        return peer
