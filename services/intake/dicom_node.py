"""The DICOM node: one listener for every site of the group."""

from threading import Event, Thread
from typing import Any

import structlog
from pynetdicom import AE, _config, evt

from schemas.group import Group
from services.intake.dicom_find import WorklistFinder
from services.intake.dicom_peers import check_peer, peer_of
from services.intake.dicom_store import handle_store
from services.intake.dicom_stream import StreamingServer
from services.intake.image_intake import ImageIntake
from services.intake.ports import PortTaken
from services.intake.sop_classes import (
    DOCUMENT_CLASSES,
    DOCUMENT_SYNTAXES,
    IMAGE_SYNTAXES,
    MODALITY_WORKLIST,
    PLAIN_SYNTAXES,
    STORAGE_CLASSES,
    VERIFICATION,
)
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.settings import IntakeSettings

log = structlog.get_logger(__name__)

# pynetdicom's own handlers would write every PDU and request out; we log what matters ourselves.
_config.LOG_HANDLER_LEVEL = "none"
_config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False

_FINISH_S = 10.0


class DicomNode:
    """Listens from its making on; serves while ``run`` runs.

    Raises PortTaken where the port of the settings cannot be had.
    """

    def __init__(
        self,
        settings: IntakeSettings,
        group: Group,
        images: ImageIntake,
        worklist: WorklistFinder,
    ) -> None:
        self._thread: Thread | None = None
        # The listener's own title is never asked for: each site has its own, see check_peer.
        entity = AE(ae_title="GOMPHOSIS")
        entity.maximum_associations = settings.max_associations
        entity.maximum_pdu_size = settings.max_pdu_bytes
        entity.network_timeout = settings.idle_timeout_s
        entity.acse_timeout = settings.idle_timeout_s
        entity.dimse_timeout = settings.idle_timeout_s
        for storage_class in STORAGE_CLASSES:
            entity.add_supported_context(storage_class, list(IMAGE_SYNTAXES))
        for document_class in DOCUMENT_CLASSES:
            entity.add_supported_context(document_class, list(DOCUMENT_SYNTAXES))
        entity.add_supported_context(VERIFICATION, list(PLAIN_SYNTAXES))
        entity.add_supported_context(MODALITY_WORKLIST, list(PLAIN_SYNTAXES))
        try:
            self._server = entity.make_server(
                (settings.dicom_host, settings.dicom_port),
                evt_handlers=[
                    (evt.EVT_REQUESTED, check_peer, [group]),
                    (evt.EVT_REJECTED, _count_full),
                    (evt.EVT_C_ECHO, _handle_echo),
                    (evt.EVT_C_STORE, handle_store, [images]),
                    (evt.EVT_C_FIND, worklist.find),
                    (evt.EVT_ABORTED, _note_abort),
                ],
                server_class=StreamingServer,
                new_file=images.folder.new_file,
                idle_timeout_s=settings.idle_timeout_s,
            )
        except OSError as error:
            raise PortTaken(
                "GOMPHOSIS_INTAKE__DICOM_PORT",
                settings.dicom_host,
                settings.dicom_port,
                error.strerror or str(error),
            ) from error

        # Its shutdown expects to be listed there, as start_server() would have done.
        entity._servers.append(self._server)

    @property
    def port(self) -> int:
        """The port that is listened on, also where the settings leave the choice (0)."""
        return int(self._server.server_address[1])

    def ready(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def run(self, stop: Event) -> None:
        """Serve until stopped; an image in transfer may finish within 10 s."""
        self._thread = Thread(target=self._serve, name="dicom-listener", daemon=True)
        self._thread.start()
        log.info("dicom_listens", port=self.port)
        stop.wait()
        self._server.shutdown()
        self._thread.join()
        for association in self._server.active_associations:
            association.join(0 if _is_idle(association) else _FINISH_S)
            if association.is_alive():
                association.abort()

    def close(self) -> None:
        """Let go of the port. Safe to repeat."""
        self._server.server_close()

    def _serve(self) -> None:
        self._server.serve_forever(poll_interval=0.2)


def _is_idle(association: Any) -> bool:
    return association.dimse.message is None and association.dimse.msg_queue.empty()


def _handle_echo(event: Any) -> int:
    peer_of(event)
    DICOM_REQUESTS.labels("C-ECHO", "0000").inc()
    return 0x0000


def _count_full(event: Any) -> None:
    log.warning(
        "association_rejected",
        audit=True,
        address=str(event.assoc.requestor.address),
        reason="max_associations reached (setting GOMPHOSIS_INTAKE__MAX_ASSOCIATIONS)",
    )
    DICOM_REQUESTS.labels("A-ASSOCIATE", "full").inc()


def _note_abort(event: Any) -> None:
    log.warning("association_aborted", address=str(event.assoc.requestor.address))
    DICOM_REQUESTS.labels("A-ABORT", "received").inc()
