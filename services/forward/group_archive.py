"""The group's DICOM node, as the place to which kept images and reports are brought.

Each goes as its station would send it: under the station's AE title, its data set byte for byte.
So the group's intake makes the same fact of it, and knows one that comes again.
"""

import contextlib
import socket
import ssl
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import structlog
from pynetdicom import AE, _config

from schemas.errors import InvalidInput
from schemas.facts import DocumentStored, ImageStored
from schemas.group import Group
from schemas.messages import parse
from services.runtime import triage
from services.runtime.bus import BusUnavailable, Outgoing, kind_of
from services.runtime.settings import Settings
from services.runtime.store import Store

log = structlog.get_logger(__name__)

# Send what lies in the file as it is; read and written anew it might differ in a byte.
_config.STORE_SEND_CHUNKED_DATASET = True

_CONNECT_S: Final = 10.0
_SILENT_S: Final = 60
"""How long it may take to be there, and say nothing. Both are invented."""
_SERVICE: Final = "forward"
_TRY_AGAIN: Final = 0xA700
"""Out of resources, A7xx (PS3.4 table B.2-1; this and the warnings below from memory): the sender
keeps the image and tries again."""


class GroupArchive:
    """Publishes to the storage service (C-STORE) of the group's intake, one image at a time."""

    def __init__(self, settings: Settings, group: Group, store: Store) -> None:
        self._settings = settings.forward
        self._images_dir = settings.images_dir
        self._group = group
        self._store = store

    def publish(self, messages: Sequence[Outgoing]) -> None:
        """Send the file of each; what can never be sent goes to triage here, and the line goes on.

        Raises BusUnavailable: the image is sent again.
        """
        for message in messages:
            try:
                self._send(message)
            except InvalidInput as error:
                log.warning("image_not_forwarded", message_id=message.message_id, reason=str(error))
                kept = triage.Kept(
                    _SERVICE,
                    "dicom",
                    error,
                    message.body,
                    kind_of(message.routing_key),
                    message.message_id,
                )
                with self._store.begin() as connection:
                    triage.keep(connection, [kept])

    def _send(self, message: Outgoing) -> None:
        told = parse(message.body)
        stored = told.payload
        if not isinstance(stored, ImageStored | DocumentStored):
            raise InvalidInput("kind", told.kind, "a fact of a file")
        site = self._group.site(told.site)
        station = site.device(stored.station)
        if station is None or station.ae_title is None:
            raise InvalidInput("station", stored.station, "one with an ae_title in group.yaml")
        path = self._images_dir / stored.path
        if not path.is_file():
            raise InvalidInput("path", stored.path, "a file that is still in the data folder")
        entity = AE(ae_title=station.ae_title)
        entity.connection_timeout = entity.acse_timeout = _CONNECT_S
        entity.dimse_timeout = entity.network_timeout = float(_SILENT_S)
        entity.add_requested_context(stored.sop_class_uid, [stored.transfer_syntax_uid])
        status = self._store_by(entity, site.called_ae_title, path)
        if status is None or status & 0xFF00 == _TRY_AGAIN:
            shown = "nothing" if status is None else f"{status:04X}"
            raise BusUnavailable(f"the group's DICOM node answers {shown}: the image is sent again")
        if status != 0 and status & 0xF000 != 0xB000:  # B000, B006, B007: kept, with a warning
            raise InvalidInput("status", f"{status:04X}", "0000: see the triage of the group")

    def _store_by(self, entity: AE, called: str, path: Path) -> int | None:
        where = f"the group's DICOM node at {self._settings.dicom_host}:{self._settings.dicom_port}"
        context = self._tls()
        try:
            association = entity.associate(
                self._settings.dicom_host,
                self._settings.dicom_port,
                ae_title=called,
                tls_args=None if context is None else (context, self._settings.dicom_host),
            )
        except (OSError, RuntimeError, ValueError) as error:
            raise BusUnavailable(f"{where}: {error}") from error
        if not association.is_established:
            reason = "rejects the association" if association.is_rejected else "does not answer"
            raise BusUnavailable(
                f"{where} {reason}: expected {entity.ae_title} and this node's address listed there"
            )
        try:
            _break_off_when_silent(association)
            answer = association.send_c_store(str(path))
        except (RuntimeError, ValueError) as error:  # it takes this kind or syntax no more
            raise BusUnavailable(f"{where}: {error}") from error
        finally:
            if association.is_established:
                association.release()
        status = answer.get("Status")
        return None if status is None else int(status)

    def _tls(self) -> ssl.SSLContext | None:
        told = self._settings
        if told.tls_ca is None:
            return None
        try:
            context = ssl.create_default_context(cafile=str(told.tls_ca))
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if told.tls_certificate is not None:
                context.load_cert_chain(told.tls_certificate, told.tls_key)
        except (OSError, ssl.SSLError) as error:
            raise BusUnavailable(f"forward: TLS files: {error}") from error
        return context


def _break_off_when_silent(association: Any) -> None:
    """Have the kernel end a connection whose bytes nobody acknowledges: a cut line is silent."""
    with contextlib.suppress(OSError, AttributeError):
        connection: socket.socket = association.dul.socket.socket
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _SILENT_S * 1000)
