"""An invented record of HL7 v2 messages. It knows a control id and a transaction id again.

It reads every message twice: hl7apy must find nothing wrong with it by its strict check at 2.5.1,
and python-hl7 gives the values. Its process is ``mllp_record_process``.
"""

from __future__ import annotations

from decimal import Decimal
from tempfile import NamedTemporaryFile
from threading import Lock
from typing import Any

import hl7
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.factories import datatype_factory
from hl7apy.parser import parse_message, parse_segment

LOCAL = "L"


class RefusalError(Exception):
    """What the record answers a message that it does not take."""

    def __init__(self, code: str, condition: str, words: str) -> None:
        super().__init__(words)
        self.code, self.condition = code, condition


def faults_of(text: str) -> list[str]:
    """Give what hl7apy's strict check finds wrong with a message.

    It reads every OBX-5 as ST of 199 characters, whatever OBX-2 says, so a value of another type
    is held against its own type and left out of the whole.
    """
    try:
        lines = [_without_value(line) for line in text.split("\r")]
        body = "\r".join(lines)
        read = parse_message(body, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
        with NamedTemporaryFile("r", encoding="utf-8") as report:
            read.validate(report_file=report.name)
            return [line for line in report if line.startswith(("Error", "Warning"))]
    except HL7apyException as error:
        return [f"{type(error).__name__}: {error}"[:250]]


def _without_value(line: str) -> str:
    fields = line.split("|")
    if fields[0] == "OBX" and fields[2] == "CE":
        # OBX-3 is of type CE, so the value is held against that field's type.
        parse_segment(f"OBX|1|CE|{fields[5]}", "2.5.1", validation_level=VALIDATION_LEVEL.STRICT)
        fields[5] = "x"
    elif fields[0] == "OBX" and fields[2] != "ST":
        datatype_factory(fields[2], fields[5], "2.5.1", VALIDATION_LEVEL.STRICT)
        fields[5] = "x"
    return "|".join(fields)


class Values:
    """The values of a message by python-hl7, unescaped."""

    def __init__(self, text: str) -> None:
        self.message = hl7.parse(text)

    def of(self, place: str, line: Any = None) -> str:
        """Give ``FT1-11.1.2`` of the first segment of that name, or of a given one."""
        name, _, numbers = place.partition("-")
        field, *parts = map(int, numbers.split("."))
        segment = line or self.message.segment(name)
        told: Any = segment[field] if len(segment) > field else ""
        told = told[0] if not isinstance(told, str) and len(told) else told
        for part in parts or [1]:
            pieces = [told] if isinstance(told, str) else told
            told = pieces[part - 1] if len(pieces) >= part else ""
        return str(self.message.unescape(str(told)))

    def observed(self) -> dict[str, str]:
        """Give the OBX of our own codes by name."""
        lines = [one for one in self.message if str(one[0]) == "OBX"]
        told = {self.of("OBX-3.1", one): one for one in lines if self.of("OBX-3.3", one) == LOCAL}
        return {name: self.of("OBX-5", one) for name, one in told.items()}

    def text(self) -> str:
        lines = [one for one in self.message if str(one[0]) == "OBX"]
        return "".join(self.of("OBX-5", one) for one in lines)


class Record:
    """What it holds, and how it is to behave."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.clear()

    def clear(self) -> None:
        self.lines: dict[str, dict[str, Any]] = {}
        self.notes: dict[str, dict[str, Any]] = {}
        self.answered: dict[str, tuple[str, str, str]] = {}
        self.messages: list[str] = []
        self.refused: list[str] = []
        self.faults: list[dict[str, Any]] = []
        self.connections = 0
        self.courtesies = 0
        self.wants_commit = False

    def control(self, told: dict[str, Any]) -> dict[str, Any]:
        with self.lock:
            if told.get("reset"):
                self.clear()
            self.faults += told.get("faults", [])
            self.wants_commit = told.get("wants_commit", self.wants_commit)
            if "notes_from" in told:
                return {"notes": list(self.notes.values())[told["notes_from"] :]}
            shown = {"lines": list(self.lines.values()), "notes": list(self.notes.values())}
            counts = {"connections": self.connections, "courtesies": self.courtesies}
            return shown | counts | {"messages": self.messages, "refused": self.refused}

    def take(self, text: str, values: Values, fault: dict[str, Any]) -> tuple[str, str, str]:
        """Give the second letter of the answer, ERR-3, and words."""
        control_id = values.of("MSH-10")
        if control_id in self.answered:
            return self.answered[control_id]
        try:
            if fault.get("do") == "refuse":
                raise RefusalError(fault["code"][1], fault.get("condition", ""), fault["words"])
            if wrong := faults_of(text):
                raise RefusalError("E", "102", f"hl7apy: {wrong[0]}")
            if values.of("MSH-9") == "DFT":
                self.hold_line(values)
            else:
                self.hold_note(values)
        except RefusalError as refusal:
            told = (refusal.code, refusal.condition, str(refusal))
            self.refused.append(str(refusal))
            if refusal.code == "E" and refusal.condition != "206":
                self.answered[control_id] = told  # it repeats its answer unread, as some do
            return told
        self.answered[control_id] = ("A", "", "")
        return self.answered[control_id]

    def hold_line(self, values: Values) -> None:
        observed = values.observed()
        line: dict[str, Any] = {
            "reference": values.of("FT1-2"),
            "posting_key": observed["posting-key"],
            "type": values.of("FT1-6"),
            "reverses": observed.get("reverses"),
            "site": values.of("MSH-4"),
            "patient_id": values.of("PID-3"),
            "account": values.of("PID-18"),
            "study_instance_uid": values.of("FT1-23"),
            "code": values.of("FT1-7"),
            "description": values.of("FT1-7.2"),
            "quantity": values.of("FT1-10"),
            "amount": values.of("FT1-11.1.1"),
            "currency": values.of("FT1-11.1.2"),
            "service_day": values.of("FT1-4"),
            "posting_day": values.of("FT1-5"),
        }
        held = self.lines.get(line["reference"])
        if held is not None:
            if held != line:
                raise RefusalError("E", "205", f"{line['reference']} is held with other content")
            return
        if line["type"] == "CD":
            self.see_reversed(line)
        self.lines[line["reference"]] = line

    def see_reversed(self, line: dict[str, Any]) -> None:
        charges = [one for one in self.lines.values() if one["posting_key"] == line["reverses"]]
        if not charges or charges[0]["patient_id"] != line["patient_id"]:
            raise RefusalError(
                "E", "204", f"no charge {line['reverses']} of this patient (invented)"
            )
        if Decimal(charges[0]["amount"]) < Decimal(line["amount"]):
            raise RefusalError("E", "103", "more than was charged (invented)")

    def hold_note(self, values: Values) -> None:
        document = values.of("MSH-9") == "MDM"
        number = values.of("TXA-12" if document else "OBR-20")
        note = {
            "kind": values.of("MSH-9"),
            "number": number,
            "patient_id": values.of("PID-3"),
            "study_instance_uid": values.of("TXA-15" if document else "OBR-3"),
            "status": values.of("TXA-17" if document else "OBR-25"),
            "availability": values.of("TXA-19") if document else "",
            "observed": values.of("OBX-11"),
            "text": values.text(),
        }
        held = self.notes.setdefault(f"{note['kind']} {number}", note)
        if held != note:
            raise RefusalError("E", "205", f"note {number} is held with other content")
