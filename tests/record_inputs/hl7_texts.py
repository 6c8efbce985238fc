"""Invented HL7 v2.5.1 messages. The values stand where the standard has them; hl7apy checks."""

from __future__ import annotations

from typing import Any


def segment(name: str, values: dict[int, str]) -> str:
    """Write a segment from its fields by number."""
    first = 2 if name == "MSH" else 1
    fields = [values.get(number, "") for number in range(first, max(values) + 1)]
    return "|".join([name, *fields])


def header(kind: str, control_id: str = "INV-1", **changes: Any) -> str:
    values = {
        2: "^~\\&",
        3: "INVREC",
        4: "NORTH",
        5: "GOMPHOSIS",
        6: "NORTH",
        7: "20260302090000+0100",
        9: kind,
        10: control_id,
        11: "P",
        12: "2.5.1",
    }
    values |= {int(name.removeprefix("f")): value for name, value in changes.items()}
    return segment("MSH", values)


def pid(patient_id: str = "P-1001", **changes: Any) -> str:
    values = {
        1: "1",
        3: f"{patient_id}^^^INV",
        5: "Owner^Pepper",
        7: "20190501",
        8: "INV-FS",
        35: "CANINE^Dog^INVS",
        36: "BEAGLE^Beagle^INVB",
    }
    values |= {int(name.removeprefix("f")): value for name, value in changes.items()}
    return segment("PID", values)


def obx(
    value: str = "25.1", unit: str = "[lb_av]^pound^UCUM", at: str = "", number: int = 1
) -> str:
    return segment(
        "OBX",
        {
            1: str(number),
            2: "NM",
            3: "29463-7^Body weight^LN",
            5: value,
            6: unit,
            11: "F",
            14: at,
        },
    )


def orc(control: str = "NW", number: str = "1001", **changes: Any) -> str:
    values = {1: control, 2: f"{number}^INVREC"}
    values |= {int(name.removeprefix("f")): value for name, value in changes.items()}
    return segment("ORC", values)


def obr(number: str = "1001", code: str = "INV-DENT-DOG^Full mouth^INV", **changes: Any) -> str:
    values = {
        1: "1",
        2: f"{number}^INVREC",
        4: code,
        31: "INVR^Fractured tooth (invented)^INV",
        36: "202603021000+0100",
    }
    values |= {int(name.removeprefix("f")): value for name, value in changes.items()}
    return segment("OBR", values)


PV1 = segment("PV1", {1: "1", 2: "O", 3: "INV-DENTAL-1"})
TQ1 = segment("TQ1", {1: "1", 7: "202603021000+0100", 9: "R"})
IPC = segment(
    "IPC",
    {
        1: "A-77^INV",
        2: "RP-1^INV",
        3: "2.25.77001^INV",
        4: "SPS-1^INV",
        5: "IO",
        8: "INV-DENTAL-2^^INV",
    },
)


def adt(event: str = "A08", control_id: str = "INV-1", **msh: Any) -> list[str]:
    return [
        header(f"ADT^{event}^ADT_A01", control_id, **msh),
        segment("EVN", {2: "20260302090000+0100"}),
        pid(),
        segment("NK1", {1: "1", 2: "Owner^Invented", 3: "OWN"}),
        PV1,
        obx(),
    ]


def merge() -> list[str]:
    return [
        header("ADT^A40^ADT_A39"),
        segment("EVN", {2: "20260302090000+0100"}),
        pid(),
        segment("MRG", {1: "P-0900^^^INV"}),
    ]


def orm(control: str = "NW", control_id: str = "INV-1", **msh: Any) -> list[str]:
    return [header("ORM^O01^ORM_O01", control_id, **msh), pid(), PV1, orc(control), obr(), obx()]


def omg(control: str = "NW", control_id: str = "INV-1", **msh: Any) -> list[str]:
    first = header("OMG^O19^OMG_O19", control_id, **msh)
    return [first, pid(), PV1, orc(control), TQ1, obr(), obx()]


def omi(control: str = "NW", control_id: str = "INV-1", **msh: Any) -> list[str]:
    first = header("OMI^O23^OMI_O23", control_id, **msh)
    return [first, pid(), PV1, orc(control), TQ1, obr(), obx(), IPC]


def joined(lines: list[str], codec: str = "ascii") -> bytes:
    return ("\r".join(lines) + "\r").encode(codec)
