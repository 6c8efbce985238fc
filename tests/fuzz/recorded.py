"""What a real client says over TCP, recorded by a relay that stands between it and the node."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable

from pydicom.dataset import Dataset
from pynetdicom.association import Association

from tests import performed_steps
from tests.fuzz.dicom_targets import small_image
from tests.fuzz.request_targets import query
from tests.intake_support import HOST, INTRAORAL, WORKLIST, association

VERIFICATION, STEP = "1.2.840.10008.1.1", "1.2.840.10008.3.1.2.3.3"
COMMITMENT, COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1", "1.2.840.10008.1.20.1.1"

Say = Callable[[Association], object]


def recorded(port: int, *classes: str, say: Say) -> bytes:
    """Give all bytes that a client sends while it says something to the node."""
    heard = bytearray()
    with socket.create_server((HOST, 0)) as listener:
        relay = threading.Thread(target=_relay, args=(listener, port, heard))
        relay.start()
        with association(listener.getsockname()[1], *classes) as peer:
            if not peer.is_established:
                raise ConnectionError("the node took no valid association")
            say(peer)
        relay.join()
    return bytes(heard)


def _relay(listener: socket.socket, port: int, heard: bytearray) -> None:
    client, _ = listener.accept()
    with client, socket.create_connection((HOST, port)) as node:
        back = threading.Thread(target=_pump, args=(node, client, bytearray()))
        back.start()
        _pump(client, node, heard)
        back.join()


def _pump(source: socket.socket, target: socket.socket, heard: bytearray) -> None:
    try:
        while piece := source.recv(65_536):
            heard += piece
            target.sendall(piece)
        target.shutdown(socket.SHUT_WR)
    except OSError:  # either end may go first; what was said until then counts
        return


def valid_associations(port: int) -> list[bytes]:
    """Record one association for each service of the node, with invented content."""

    def find(peer: Association) -> None:
        list(peer.send_c_find(query(), WORKLIST))

    def step(peer: Association) -> None:
        peer.send_n_create(performed_steps.creation(), STEP, "2.25.2001")
        peer.send_n_set(performed_steps.completion(), STEP, "2.25.2001")

    def commit(peer: Association) -> None:
        item = Dataset()
        item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = INTRAORAL, "2.25.70001"
        asked = Dataset()
        asked.TransactionUID, asked.ReferencedSOPSequence = "2.25.3001", [item]
        peer.send_n_action(asked, 1, COMMITMENT, COMMITMENT_INSTANCE)

    return [
        recorded(port, VERIFICATION, say=lambda peer: peer.send_c_echo()),
        recorded(port, INTRAORAL, say=lambda peer: peer.send_c_store(small_image())),
        recorded(port, WORKLIST, say=find),
        recorded(port, STEP, say=step),
        recorded(port, COMMITMENT, say=commit),
    ]
