"""The invented record behind MLLP, in a process of its own that also misbehaves when told to.

``python -m tests.record_stand_ins.mllp_record_process PORT CONTROL_PORT [CERTIFICATE KEY CA]``.
The control port takes one JSON object in a line and answers with one.
"""

from __future__ import annotations

import json
import re
import socket
import socketserver
import ssl
import sys
import time
from datetime import UTC, datetime
from threading import Thread

from tests.record_stand_ins.mllp_record import Record, Values

START, END = b"\x0b", b"\x1c\x0d"
CODECS = {"UNICODE UTF-8": "utf-8", "8859/1": "iso-8859-1", "ASCII": "ascii", "": "ascii"}


def answer(values: Values, code: str, condition: str, words: str, wants: str = "") -> bytes:
    now = datetime.now(UTC).strftime("%Y%m%d%H%M%S+0000")
    own_id = f"INV{time.monotonic_ns()}"[-20:]
    lines = [
        f"MSH|^~\\&|INVREC||||{now}||ACK^{values.of('MSH-9.2')}^ACK|{own_id}|P|2.5.1|||{wants}"
        f"|{'NE' if wants else ''}||UNICODE UTF-8",
        f"MSA|{code}|{values.of('MSH-10')}",
    ]
    if condition or words:
        shown = re.sub(r"[|^~&\\\r\n]", " ", words)
        lines.append(f"ERR|||{condition or 207}^invented^HL70357|E||||{shown}")
    return ("\r".join(lines) + "\r").encode()


def serve(record: Record, connection: socket.socket) -> None:
    buffer = b""
    while True:
        while END not in buffer:
            received = connection.recv(65_536)
            if not received:
                return
            buffer += received
        block, _, buffer = buffer.partition(END)
        body = block.removeprefix(START)
        head = body.split(b"\r", 1)[0].split(b"|")
        told = head[17].decode("ascii") if len(head) > 17 else ""
        text = body.decode(CODECS[told])
        values = Values(text)
        if values.of("MSH-9") == "ACK":
            with record.lock:
                record.courtesies += values.of("MSA-1") == "CA"
            continue
        if not reply(record, connection, text, values):
            return


def reply(record: Record, connection: socket.socket, text: str, values: Values) -> bool:
    """Answer a message; False where the connection is to be cut."""
    with record.lock:
        fault = record.faults.pop(0) if record.faults else {}
        record.messages.append(text)
        if fault.get("do") == "cut_before":
            return False
        told = record.take(text, values, fault)
        wants = "AL" if record.wants_commit else ""
    blocks = blocks_of(values, told, fault.get("code", ""), wants)
    if fault.get("do") == "slow":
        time.sleep(fault["seconds"])
    for piece in misbehaved(blocks, fault.get("do", "")):
        connection.sendall(piece)
    return fault.get("do") not in {"cut", "half"}


def blocks_of(values: Values, told: tuple[str, str, str], code: str, wants: str) -> list[bytes]:
    """Give the answers that the message asks for (MSH-15 and MSH-16)."""
    letter, condition, words = told
    if not values.of("MSH-15") and not values.of("MSH-16"):
        return [answer(values, f"A{letter}", condition, words, wants)]
    if code.startswith("C") and letter != "A":
        return [answer(values, f"C{letter}", condition, words)]
    blocks = [answer(values, "CA", "", "")]
    if values.of("MSH-16") == "AL":
        blocks.append(answer(values, f"A{letter}", condition, words, wants))
    elif letter != "A":
        blocks = [answer(values, f"C{letter}", condition, words)]
    return blocks


def misbehaved(blocks: list[bytes], do: str) -> list[bytes]:
    """Give what goes onto the line."""
    wrong = [re.sub(rb"(MSA\|..\|)[^|\r]*", rb"\1SOMEBODY-ELSES", one) for one in blocks]
    half = START + blocks[-1][: len(blocks[-1]) // 2]
    framed = {
        "commit_only": blocks[:1],
        "wrong_id": [*wrong, *blocks],
        "wrong_id_only": wrong,
        "twice": [one for one in blocks for _ in range(2)],
        "noise": [b"no HL7 at all (invented)", *blocks],
    }.get(do, blocks)
    whole = [START + one + END for one in framed]
    return {"cut": [], "half": [half], "stuck": [half]}.get(do, whole)


class Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True


def listen(record: Record, port: int, context: ssl.SSLContext | None) -> None:
    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            connection = self.request
            # Else the second of two answers waits for a delayed acknowledgement.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            try:
                if context is not None:
                    connection = context.wrap_socket(connection, server_side=True)
                with record.lock:
                    record.connections += 1
                serve(record, connection)
            except OSError as error:
                print(f"connection lost: {error}", file=sys.stderr)
            finally:
                connection.close()

    server = Server(("127.0.0.1", port), Handler)
    Thread(target=server.serve_forever, daemon=True).start()


def main(port: str, control_port: str, *tls: str) -> None:
    record = Record()
    context = None
    if tls:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(tls[0], tls[1])
        context.load_verify_locations(tls[2])
        context.verify_mode = ssl.CERT_REQUIRED

    class Control(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            line = self.rfile.readline()
            if not line:
                return  # somebody looked whether the port is open
            told = record.control(json.loads(line))
            self.wfile.write(json.dumps(told).encode() + b"\n")

    listen(record, int(port), context)
    with Server(("127.0.0.1", int(control_port)), Control) as server:
        server.serve_forever()


if __name__ == "__main__":
    main(*sys.argv[1:])
