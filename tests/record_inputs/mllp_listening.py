"""An intake that hears HL7 v2 over MLLP, and its answers read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from services.intake.hl7_message import Hl7Message, read_message
from tests.intake_support import Intake, running_intake
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.hl7_texts import joined
from tests.record_inputs.mllp_client import MllpClient


@contextmanager
def listening(
    folder: Path, device: dict[str, Any] | None = None, **mllp: Any
) -> Iterator[tuple[Intake, int]]:
    write_codes(folder)
    options = {"enabled": True, "port": 0} | mllp
    with running_intake(folder, group=record_group(**(device or {})), mllp=options) as intake:
        server = next(loop for loop in intake.service.loops if loop.name == "mllp")
        yield intake, server.run.__self__.port  # type: ignore[attr-defined]


def read(answer: bytes | None) -> Hl7Message:
    assert answer is not None, "the line was closed without an answer"
    return read_message(answer, "UNICODE UTF-8")


def code(answer: bytes | None) -> str:
    return read(answer).one("MSA").text(1)


def ask(port: int, lines: list[str]) -> bytes | None:
    with MllpClient(port) as client:
        return client.ask(joined(lines))
