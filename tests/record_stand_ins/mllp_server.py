"""The stand-in MLLP record, started, told and killed by a test."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from schemas.conclusions import EntryType
from schemas.facts import RecordLine
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import ChargePosting, HeldLine, Unreadable
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.stand_in import StandIn

TYPES = {"CG": EntryType.CHARGE, "CD": EntryType.CREDIT}


class MllpServer(StandIn):
    """One process of ``tests.record_stand_ins.mllp_record_process``."""

    def __init__(self, folder: Path, tls: Sequence[Path] = ()) -> None:
        self.folder = folder
        self.port, self.control_port = free_port(), free_port()
        ports = [self.port, self.control_port]
        arguments = [*map(str, ports), *map(str, tls)]
        super().__init__("tests.record_stand_ins.mllp_record_process", arguments, ports)

    def control(self, **told: Any) -> dict[str, Any]:
        with socket.create_connection((LOOPBACK, self.control_port), timeout=30) as connection:
            connection.sendall(json.dumps(told).encode() + b"\n")
            answer: dict[str, Any] = json.loads(connection.makefile("rb").readline())
            return answer

    def fault(self, do: str, **more: Any) -> None:
        self.control(faults=[{"do": do, **more}])

    def messages(self, kind: str = "") -> list[list[str]]:
        """Give the messages that came, each as its segments."""
        told = [text.rstrip("\r").split("\r") for text in self.control()["messages"]]
        return [lines for lines in told if kind in lines[0]]

    def lines(self) -> list[HeldLine]:
        """Give what it holds, in the port's terms."""
        return [_held(one) for one in self.control()["lines"]]

    def adapter(self, kind: type[Hl7Adapter] = Hl7Adapter, **options: str) -> Hl7Adapter:
        told = {"host": LOOPBACK, "port": str(self.port), "timeout_s": "10"}
        return kind({**told, "data_dir": str(self.folder), **options})


def read_by(server: MllpServer) -> type[Hl7Adapter]:
    """Make the adapter with eyes: what HL7 v2 cannot ask is looked up in the stand-in's store."""

    class WithEyes(Hl7Adapter):
        def find_charge(self, posting: ChargePosting) -> HeldLine | None:
            return next((one for one in server.lines() if one.posting_key == posting.key), None)

        def read_charges(
            self, *, study_instance_uid: str | None = None, patient_id: str | None = None
        ) -> Sequence[HeldLine]:
            return [
                one
                for one in server.lines()
                if study_instance_uid in {None, one.study_instance_uid}
                and patient_id in {None, one.patient_id}
            ]

        def read_lines(
            self, site: str, first: date, last: date
        ) -> Iterable[RecordLine | Unreadable]:
            held = [one for one in server.lines() if one.site == site]
            return [_line(one) for one in held if first <= one.service_day <= last]

    return WithEyes


def _day(text: str) -> date:
    return datetime.strptime(text, "%Y%m%d").date()  # noqa: DTZ007


def _held(told: dict[str, Any]) -> HeldLine:
    return HeldLine(
        posting_key=told["posting_key"],
        type=TYPES[told["type"]],
        reverses=told["reverses"],
        site=told["site"],
        patient_id=told["patient_id"],
        study_instance_uid=told["study_instance_uid"],
        code=told["code"],
        quantity=int(told["quantity"]),
        amount=Decimal(told["amount"]),
        currency=told["currency"],
        service_day=_day(told["service_day"]),
        reference=told["reference"],
        posting_day=_day(told["posting_day"]),
    )


def _line(held: HeldLine) -> RecordLine:
    return RecordLine(
        line_id=held.reference,
        posting_key=held.posting_key,
        patient_id=held.patient_id,
        service_day=held.service_day,
        code=held.code,
        quantity=held.quantity,
        amount=held.signed_amount,
        currency=held.currency,
    )
