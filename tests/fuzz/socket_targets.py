"""The doors on their real sockets: a whole intake in this process, and a peer that says nonsense.

The node runs inside the watched process, so that its memory, threads and logged exceptions are
seen. A peer waits for the answer to its association request, as a real one does.
"""

from __future__ import annotations

import random
import socket
import struct
import threading
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from services.intake.hl7_message import read_message
from tests.fuzz.dicom_shape import DataSetMutator
from tests.fuzz.dicom_targets import images
from tests.fuzz.mutation import Mutator
from tests.fuzz.new_in_triage import NewInTriage
from tests.fuzz.record_targets import HL7_SEEDS, HL7_TOKENS, MLLP_SEEDS, MLLP_TOKENS
from tests.fuzz.recorded import VERIFICATION, valid_associations
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, Target
from tests.intake_support import HOST, Intake, association, running_intake
from tests.raw_dicom import (
    ABORT,
    ACCEPT,
    COMMAND,
    DATA,
    LAST,
    RELEASE,
    fragment,
    pdu,
    store_command,
)
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.mllp_client import END, START
from tests.servers.polling import wait_until

_PATIENCE_S = 15.0
_ECHO_EVERY = 100
_ASSOCIATE = 1
_TAKEN, _IN_TRIAGE = {"AA", "CA"}, {"AE", "CE"}


def _parts(stream: bytes) -> tuple[bytes, bytes]:
    """Split a stream behind its association request, where it begins with one."""
    if len(stream) < 6 or stream[0] != _ASSOCIATE:
        return stream, b""
    end = 6 + int(struct.unpack_from(">L", stream, 2)[0])
    return stream[:end], stream[end:]


def _receive(connection: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = connection.recv(count - len(data))
        if not piece:
            break
        data += piece
    return data


def _read_to_end(connection: socket.socket, began: bytes = b"") -> bytes:
    """Read until the node closes; a reset is an end as well."""
    data = bytearray(began)
    try:
        while piece := connection.recv(65_536):
            data += piece
    except ConnectionError:
        return bytes(data)
    return bytes(data)


def _pdu_kinds(stream: bytes) -> list[int]:
    kinds = []
    while len(stream) >= 6:
        kinds.append(stream[0])
        stream = stream[6 + struct.unpack_from(">L", stream, 2)[0] :]
    return kinds


class _Node:
    def __init__(self, intake: Intake) -> None:
        self._intake = intake
        self._fed = 0
        self._standing()
        self._threads = threading.active_count()

    def feed(self, stream: bytes) -> str:
        self._fed += 1
        kinds = _pdu_kinds(self._say(stream))
        if any(kind not in range(1, 8) for kind in kinds):
            raise Broken(f"the node sent what is no PDU: {kinds}")
        if self._fed % _ECHO_EVERY == 0:
            self._echo()
        refused = not kinds or kinds[0] != ACCEPT or ABORT in kinds
        return REFUSED if refused else TAKEN

    def _say(self, stream: bytes) -> bytes:
        request, rest = _parts(stream)
        with socket.create_connection((HOST, self._intake.dicom_port), _PATIENCE_S) as connection:
            answer = b""
            try:
                connection.sendall(request)
                if rest:
                    answer = _receive(connection, 6)
                    if answer[:1] == bytes([ACCEPT]):
                        answer += _receive(connection, struct.unpack_from(">L", answer, 2)[0])
                        connection.sendall(rest)
                connection.shutdown(socket.SHUT_WR)
            except (ConnectionError, OSError) as error:
                if isinstance(error, TimeoutError):
                    raise
            return _read_to_end(connection, answer)

    def _echo(self) -> None:
        with association(self._intake.dicom_port, VERIFICATION) as peer:
            if not peer.is_established or peer.send_c_echo().Status != 0:
                raise Broken("the node no longer answers")

    def _standing(self) -> int:
        (loop,) = (one for one in self._intake.service.loops if one.name == "dicom")
        node: Any = loop.run.__self__  # type: ignore[attr-defined]
        return sum(server.connections for server in node._servers)

    def end(self) -> None:
        """Nothing stands, runs or lies half done, and what was refused can be read."""
        self._echo()
        wait_until(lambda: self._standing() == 0, 60, "every connection to be over")
        wait_until(lambda: threading.active_count() <= self._threads, 60, "every thread to end")
        kept = self._intake.kept_files()
        half = [name for name in kept if name.startswith("incoming/")]
        named = {fact.payload.path for fact in self._intake.facts("image_stored")}  # type: ignore[attr-defined]
        named |= {fact.payload.path for fact in self._intake.facts("document_stored")}  # type: ignore[attr-defined]
        lost = named - set(kept)
        if half or lost:
            raise Broken(f"half received: {half[:3]}; a fact without its file: {sorted(lost)[:3]}")
        NewInTriage(self._intake.runtime.store).look()


def _streams(seeds: list[bytes]) -> Callable[[random.Random], bytes]:
    """Change the request, what follows it, or only the data set of a valid image."""
    parts = [_parts(seed) for seed in seeds]
    requests = Mutator([first for first, _ in parts], (b"GOMPHOSIS ", b"STATION1  "))
    lengths = (pdu(DATA, b""), b"\x04\x00\x7f\xff\xff\xff", RELEASE, fragment(LAST, b""))
    bodies = Mutator([rest for _, rest in parts], lengths)
    plain, others = images()
    data_sets = DataSetMutator(plain, others)
    store = parts[1][0]
    command = fragment(COMMAND | LAST, store_command("2.25.70001"))

    def mutate(rng: random.Random) -> bytes:
        way = rng.random()
        if way < 0.2:
            return requests(rng)
        if way < 0.65:
            first, rest = rng.choice(parts)
            return first + bodies.changed(rng, rest)
        if way < 0.7:
            return bodies(rng)
        told = pdu(DATA, command + fragment(LAST, data_sets(rng)))
        return store + (bodies.changed(rng, told) if rng.random() < 0.2 else told) + RELEASE

    return mutate


def _dicom(folder: Path) -> Ready:
    stack = ExitStack()
    intake = stack.enter_context(
        running_intake(
            folder, associate_timeout_s=3.0, idle_timeout_s=3.0, max_image_bytes=1_000_000
        )
    )
    seeds = valid_associations(intake.dicom_port)
    node = _Node(intake)

    def end() -> None:
        with stack:
            node.end()

    return Ready(seeds, _streams(seeds), node.feed, end)


def _mllp(folder: Path) -> Ready:
    stack = ExitStack()
    write_codes(folder)
    options = {"enabled": True, "port": 0, "idle_timeout_s": 3.0, "max_message_bytes": 20_000}
    intake = stack.enter_context(running_intake(folder, group=record_group(), mllp=options))
    server = next(loop for loop in intake.service.loops if loop.name == "mllp")
    port = server.run.__self__.port  # type: ignore[attr-defined]
    kept, heard = NewInTriage(intake.runtime.store), set[bytes]()
    framing = Mutator(MLLP_SEEDS, MLLP_TOKENS)
    messages = Mutator(HL7_SEEDS, HL7_TOKENS)

    def feed(stream: bytes) -> str:
        with socket.create_connection((HOST, port), timeout=_PATIENCE_S) as connection:
            try:
                connection.sendall(stream)
                connection.shutdown(socket.SHUT_WR)
            except (ConnectionError, OSError) as error:
                if isinstance(error, TimeoutError):
                    raise
            answered = _read_to_end(connection)
        verdicts = {_verdict(one) for one in answered.split(END) if one}
        new = kept.look()
        # What is said again is not kept again; who is refused as a stranger is not kept at all.
        told = {piece.split(END)[0] for piece in stream.split(START)}
        if verdicts & _IN_TRIAGE and not new and not told & heard:
            raise Broken(f"answered {sorted(verdicts)}, and nothing is in triage")
        heard.update(one for one in told if one.startswith(b"MSH"))
        return TAKEN if verdicts and verdicts <= _TAKEN else REFUSED

    def end() -> None:
        with stack:
            if feed(MLLP_SEEDS[0]) != TAKEN:
                raise Broken("a valid message is no longer taken")

    def mutate(rng: random.Random) -> bytes:
        return framing(rng) if rng.random() < 0.5 else START + messages(rng) + END

    return Ready(MLLP_SEEDS, mutate, feed, end)


def _verdict(answer: bytes) -> str:
    if not answer.startswith(START):
        raise Broken(f"an answer without its frame: {answer[:40]!r}")
    return read_message(answer[1:], "UNICODE UTF-8").one("MSA").text(1)


TARGETS = (
    Target("dicom-socket", _dicom, limit_s=30.0, in_process=False),
    Target("mllp-socket", _mllp, limit_s=30.0, in_process=False),
)
