"""The DICOM node: one listener for every site of the group."""

from functools import partial
from socket import socket
from threading import Event, Thread
from typing import Any, NamedTuple

import structlog
from pynetdicom import AE, _config, evt

from schemas.group import Group
from services.intake.commitment_rules import COMMITMENT_CLASS
from services.intake.dicom_commitment import CommitmentProvider
from services.intake.dicom_find import WorklistFinder
from services.intake.dicom_listener import StreamingServer, listen
from services.intake.dicom_peers import check_peer, peer_of
from services.intake.dicom_places import Places
from services.intake.dicom_step import handle_create, handle_set
from services.intake.dicom_store import StoreAnswer, answer_store
from services.intake.dicom_tls import tls_context
from services.intake.image_files import IncomingFile
from services.intake.image_intake import ImageIntake
from services.intake.process_memory import settle_memory
from services.intake.sop_classes import (
    DOCUMENT_CLASSES,
    DOCUMENT_SYNTAXES,
    IMAGE_SYNTAXES,
    MODALITY_WORKLIST,
    PERFORMED_STEP,
    PLAIN_SYNTAXES,
    STORAGE_CLASSES,
    VERIFICATION,
)
from services.intake.step_desk import StepDesk
from services.runtime.audit_writer import AuditWriter
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.settings import IntakeSettings

log = structlog.get_logger(__name__)

# pynetdicom's own handlers would write every PDU and request out; we log what matters ourselves.
_config.LOG_HANDLER_LEVEL = "none"
_config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False

_FINISH_S = 10.0
_ABORT_S = 2.0


class Listeners(NamedTuple):
    """The bound ports; ``tls`` where the settings name one."""

    plain: socket
    tls: socket | None = None

    def close(self) -> None:
        for listener in self:
            if listener is not None:
                listener.close()


def open_listeners(settings: IntakeSettings) -> Listeners:
    """Bind the ports of the settings. Raises PortTaken."""
    plain = listen("GOMPHOSIS_INTAKE__DICOM_PORT", settings.dicom_host, settings.dicom_port)
    if settings.tls_port is None:
        return Listeners(plain)
    try:
        tls = listen("GOMPHOSIS_INTAKE__TLS_PORT", settings.dicom_host, settings.tls_port)
    except Exception:
        plain.close()
        raise
    return Listeners(plain, tls)


class DicomNode:
    """Serves the listeners while ``run`` runs; several processes may share them and the places.

    Raises TlsSettingsError where the settings of TLS cannot be had.
    """

    def __init__(
        self,
        settings: IntakeSettings,
        group: Group,
        images: ImageIntake,
        worklist: WorklistFinder,
        steps: StepDesk,
        commitments: CommitmentProvider,
        listeners: Listeners,
        places: Places,
        audit: AuditWriter,
    ) -> None:
        self._threads: list[Thread] = []
        # The listener's own title is never asked for: each site has its own, see check_peer.
        entity = AE(ae_title="GOMPHOSIS")
        # Connections that have not associated yet must take no association's place.
        most_connections = max(2 * settings.max_associations, settings.max_associations + 16)
        entity.maximum_associations = most_connections  # ours are counted by Places
        entity.maximum_pdu_size = settings.max_pdu_bytes
        entity.network_timeout = settings.idle_timeout_s
        entity.acse_timeout = settings.associate_timeout_s
        entity.dimse_timeout = settings.idle_timeout_s
        for storage_class in STORAGE_CLASSES:
            entity.add_supported_context(storage_class, list(IMAGE_SYNTAXES))
        for document_class in DOCUMENT_CLASSES:
            entity.add_supported_context(document_class, list(DOCUMENT_SYNTAXES))
        for service_class in (VERIFICATION, MODALITY_WORKLIST, PERFORMED_STEP, COMMITMENT_CLASS):
            entity.add_supported_context(service_class, list(PLAIN_SYNTAXES))
        tls = None
        if settings.tls_port is not None:
            tls = tls_context(settings.tls_certificate, settings.tls_key, settings.tls_ca)
        make_server = partial(
            StreamingServer,
            entity,
            contexts=entity.supported_contexts,
            handlers=[
                (evt.EVT_REQUESTED, check_peer, [group, audit]),
                (evt.EVT_C_ECHO, _handle_echo),
                (evt.EVT_C_FIND, worklist.find),
                (evt.EVT_N_CREATE, handle_create, [steps]),
                (evt.EVT_N_SET, handle_set, [steps]),
                (evt.EVT_N_ACTION, commitments.act),
                (evt.EVT_DIMSE_RECV, commitments.note_message),
                (evt.EVT_ABORTED, _note_abort),
            ],
            new_file=images.folder.new_file,
            answer=partial(_answer_store, images=images),
            places=places,
            audit=audit,
            most_connections=most_connections,
            associate_timeout_s=settings.associate_timeout_s,
            idle_timeout_s=settings.idle_timeout_s,
        )
        self._servers = [make_server(listeners.plain)]
        if listeners.tls is not None:
            self._servers.append(make_server(listeners.tls, tls=tls))
        # Their shutdown expects to be listed there, as start_server() would have done.
        entity._servers.extend(self._servers)

    @property
    def port(self) -> int:
        """The port that is listened on, also where the settings leave the choice (0)."""
        return int(self._servers[0].server_address[1])

    @property
    def tls_port(self) -> int | None:
        """The port that TLS is listened for on, if any."""
        return int(self._servers[1].server_address[1]) if len(self._servers) > 1 else None

    def ready(self) -> bool:
        return bool(self._threads) and all(thread.is_alive() for thread in self._threads)

    def run(self, stop: Event) -> None:
        """Serve until stopped; an image in transfer may finish within 10 s."""
        settle_memory()
        self._threads = [
            Thread(
                target=server.serve_forever,
                kwargs={"poll_interval": 0.2},
                name="dicom-listener",
                daemon=True,
            )
            for server in self._servers
        ]
        for thread in self._threads:
            thread.start()
        log.info("dicom_listens", port=self.port, tls_port=self.tls_port)
        stop.wait()
        for server in self._servers:
            server.shutdown()
        for thread in self._threads:
            thread.join()
        for association in [one for server in self._servers for one in server.active_associations]:
            association.join(0 if association.dul.is_idle else _FINISH_S)
            if association.is_alive():
                if association.is_established:
                    association.abort(block=False)
                    association.join(_ABORT_S)
                association.dul.end(_ABORT_S)

    def close(self) -> None:
        """Let go of the ports. Safe to repeat."""
        for server in self._servers:
            server.server_close()


def _answer_store(
    association: Any, file: IncomingFile | None, negotiated: str, images: ImageIntake
) -> StoreAnswer:
    return answer_store(file, association.gomphosis_peer, negotiated, images)


def _handle_echo(event: Any) -> int:
    peer_of(event)
    DICOM_REQUESTS.labels("C-ECHO", "0000").inc()
    return 0x0000


def _note_abort(event: Any) -> None:
    log.warning("association_aborted", address=str(event.assoc.requestor.address))
    DICOM_REQUESTS.labels("A-ABORT", "received").inc()
