"""A DICOM peer in a process of its own, for services that DCMTK has no tool for.

``python -m tests.dicom_station steps|commit|listen`` with JSON on the standard input; what came
of it as JSON lines on the standard output. It speaks through pynetdicom as a station or a record
does, and shares nothing with the code under test.
"""

from __future__ import annotations

import json
import ssl
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset
from pynetdicom import AE, evt

from tests.servers.polling import wait_until
from tests.servers.ports import port_is_open

STEP = "1.2.840.10008.3.1.2.3.3"
COMMITMENT = "1.2.840.10008.1.20.1"
COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1.1"
AVAILABILITY = "1.2.840.10008.5.1.4.33"
HOST = "127.0.0.1"
ABORT = -1
_ROOT = Path(__file__).parents[1]


def tell_steps(
    port: int, messages: Sequence[tuple[str, str, Dataset]], calling: str = "STATION1"
) -> list[dict[str, Any]]:
    """Send N-CREATE (``create``) and N-SET (``set``) messages: operation, UID, attributes.

    Gives the answers: status, comment and error id of each.
    """
    script = [[what, uid, attributes.to_json_dict()] for what, uid, attributes in messages]
    told = {"port": port, "calling": calling, "messages": script}
    answers: list[dict[str, Any]] = _run("steps", told)
    return answers


def ask_commitment(
    port: int,
    information: Dataset,
    *,
    wait_for_report: bool = False,
    calling: str = "STATION1",
    action_type: int = 1,
    instance: str = COMMITMENT_INSTANCE,
) -> list[dict[str, Any]]:
    """Send one N-ACTION; the first line is its answer, the second the report if it was awaited."""
    told = {
        "port": port,
        "calling": calling,
        "information": information.to_json_dict(),
        "wait": wait_for_report,
        "action_type": action_type,
        "instance": instance,
    }
    lines: list[dict[str, Any]] = _run("commit", told)
    return lines


class Listener:
    """A peer that listens and writes down what it is told; it may be down for a while.

    ``answers`` are the statuses that it gives in turn, ABORT for none; 0000 after them. ``tls``
    are PEM files of its certificate, its key and the CA of its callers.
    """

    def __init__(
        self,
        folder: Path,
        port: int,
        title: str,
        answers: Sequence[int] = (),
        tls: Sequence[Path] = (),
    ) -> None:
        self.port = port
        self._file = folder / f"told-{title}.jsonl"
        self._settings = {
            "port": port,
            "title": title,
            "file": str(self._file),
            "answers": list(answers),
            "tls": [str(file) for file in tls],
        }
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.dicom_station", "listen"],
            stdin=subprocess.PIPE,
            cwd=_ROOT,
        )
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(self._settings).encode())
        self._process.stdin.close()
        wait_until(lambda: port_is_open(self.port), 30, "the peer to listen")

    def told(self) -> list[dict[str, Any]]:
        """Everything it was told so far: kind, UID, event type, calling title, data set."""
        if not self._file.exists():
            return []
        lines = self._file.read_text(encoding="utf-8").splitlines()
        return [line | {"data": Dataset.from_json(line["data"])} for line in map(json.loads, lines)]

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(30)
            self._process = None


@contextmanager
def listening(listener: Listener) -> Iterator[Listener]:
    """Run a listener; it is stopped at the end, also where the test started it only later."""
    try:
        yield listener
    finally:
        listener.stop()


def _run(command: str, told: dict[str, Any]) -> list[Any]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.dicom_station", command],
        input=json.dumps(told).encode(),
        stdout=subprocess.PIPE,
        cwd=_ROOT,
        timeout=60,
        check=True,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


def _entity(told: dict[str, Any], sop_class: str) -> AE:
    entity = AE(ae_title=told["calling"])
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 30
    entity.add_requested_context(sop_class)
    return entity


def _say(line: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def _answer(status: Dataset) -> dict[str, Any]:
    return {
        "status": status.get("Status"),
        "comment": status.get("ErrorComment"),
        "error_id": status.get("ErrorID"),
    }


def _send_steps(told: dict[str, Any]) -> None:
    association = _entity(told, STEP).associate(HOST, told["port"], ae_title="GOMPHOSIS")
    assert association.is_established
    for what, uid, attributes in told["messages"]:
        data = Dataset.from_json(attributes)
        send = association.send_n_create if what == "create" else association.send_n_set
        status, _ = send(data, STEP, uid)
        _say(_answer(status))
    association.release()


def _send_commitment(told: dict[str, Any]) -> None:
    reports: list[dict[str, Any]] = []

    def note(event: Any) -> tuple[int, None]:
        reports.append(
            {"event_type": event.event_type, "data": event.event_information.to_json_dict()}
        )
        return 0x0000, None

    association = _entity(told, COMMITMENT).associate(
        HOST, told["port"], ae_title="GOMPHOSIS", evt_handlers=[(evt.EVT_N_EVENT_REPORT, note)]
    )
    assert association.is_established
    status, _ = association.send_n_action(
        Dataset.from_json(told["information"]), told["action_type"], COMMITMENT, told["instance"]
    )
    _say(_answer(status))
    if told["wait"]:
        wait_until(lambda: reports, 30, "the report on this association")
        _say(reports[0])
    association.release()


def _listen(told: dict[str, Any]) -> None:
    answers = iter(told["answers"])

    def write(event: Any, line: dict[str, Any]) -> int:
        with Path(told["file"]).open("a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        status = next(answers, 0x0000)
        if status == ABORT:
            event.assoc.abort()
        return status

    def note_report(event: Any) -> tuple[int, None]:
        line = {
            "what": "report",
            "event_type": event.event_type,
            "calling": event.assoc.requestor.ae_title,
            "data": event.event_information.to_json_dict(),
        }
        return write(event, line), None

    def note_creation(event: Any) -> tuple[int, None]:
        line = {
            "what": "notice",
            "uid": str(event.request.AffectedSOPInstanceUID),
            "calling": event.assoc.requestor.ae_title,
            "data": event.attribute_list.to_json_dict(),
        }
        return write(event, line), None

    entity = AE(ae_title=told["title"])
    entity.require_called_aet = True
    entity.add_supported_context(COMMITMENT, scu_role=False, scp_role=True)
    entity.add_supported_context(AVAILABILITY)
    entity.add_supported_context("1.2.840.10008.1.1")  # verification
    context = None
    if told["tls"]:
        certificate, key, ca = told["tls"]
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, key)
        context.load_verify_locations(ca)
        context.verify_mode = ssl.CERT_REQUIRED
    entity.start_server(
        (HOST, told["port"]),
        block=True,
        ssl_context=context,
        evt_handlers=[(evt.EVT_N_EVENT_REPORT, note_report), (evt.EVT_N_CREATE, note_creation)],
    )


if __name__ == "__main__":
    {"steps": _send_steps, "commit": _send_commitment, "listen": _listen}[sys.argv[1]](
        json.loads(sys.stdin.read())
    )
