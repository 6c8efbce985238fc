"""What each line of a file would become under a mapping. Reads only; keeps and sends nothing."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from schemas.errors import InvalidInput
from schemas.facts import ClockRead, ExposureEnded
from schemas.group import Device
from schemas.mappings import DeviceMapping
from services.intake.appended_file import open_regular
from services.intake.device_cells import Columns, HeaderUnfit
from services.intake.device_lines import Header, PassedOver, Told, read_line
from services.intake.line_source import Line, lines_from, shown
from services.intake.store import LONGEST_NATURAL_KEY
from services.intake.tail_store import Place

Outcome = Literal["fact", "header", "passed over", "refused"]


@dataclass(frozen=True, slots=True)
class TriedLine:
    """One line and what it would become. ``ends``: nothing after it can be read."""

    number: int
    outcome: Outcome
    words: str
    details: dict[str, Any] = field(default_factory=dict)
    unknown: Columns = ()
    ends: bool = False


def try_mapping(
    mapping: DeviceMapping, path: Path, device: Device | None = None
) -> Iterator[TriedLine]:
    """Read a file line by line as intake would. Raises OSError where it cannot be read."""
    place = Place("")
    with open_regular(path, follow=True) as file:
        while True:
            before = place.position
            for line in lines_from(file, place, mapping.longest_line_bytes, whole=True):
                if line.raw or not (line.within or place.within_line):
                    tried = _try(mapping, line, place, device)
                    yield tried
                    if tried.ends:
                        return
                place.position, place.line, place.within_line = line.end, line.number, line.within
            if place.position == before:
                return


def _try(mapping: DeviceMapping, line: Line, place: Place, device: Device | None) -> TriedLine:
    try:
        if line.too_long:
            raise InvalidInput("line", line.raw[:60], f"at most {mapping.longest_line_bytes} bytes")
        read = read_line(mapping, line.raw, place.columns, device, first=place.position == 0)
    except InvalidInput as error:
        details = {
            "field": error.field,
            "value": error.value,
            "expected": error.expected,
            "line_as_told": shown(line.raw, mapping.encoding),
        }
        return TriedLine(
            line.number, "refused", str(error), details, ends=isinstance(error, HeaderUnfit)
        )
    if isinstance(read, Header):
        place.columns = read.columns
        columns = {"columns": list(read.columns), "unknown": list(read.unknown)}
        return TriedLine(
            line.number, "header", f"{len(read.columns)} columns", columns, read.unknown
        )
    if isinstance(read, PassedOver):
        return TriedLine(line.number, "passed over", read.why)
    key = read.payload.natural_key(read.occurred_at)
    if len(key) > LONGEST_NATURAL_KEY:
        expected = f"at most {LONGEST_NATURAL_KEY} characters"
        too_long = InvalidInput("natural_key", key, expected)
        return TriedLine(line.number, "refused", str(too_long), {"field": "natural_key"})
    told: dict[str, Any] = {
        "kind": read.payload.KIND,
        "natural_key": key,
        "occurred_at": read.occurred_at.isoformat(),
        "source_clock": read.source_clock,
        "payload": read.payload.model_dump(mode="json"),
    }
    return TriedLine(line.number, "fact", _words(read), told, read.unknown)


def _words(told: Told) -> str:
    at = f"{told.occurred_at:%Y-%m-%d %H:%M:%S} UTC (device: {told.source_clock})"
    payload = told.payload
    if isinstance(payload, ClockRead):
        return f"clock reading at {at}: the device showed {payload.device_time:%H:%M:%S} UTC"
    if not isinstance(payload, ExposureEnded):
        return at
    number = "" if payload.exposure_counter is None else f" {payload.exposure_counter}"
    parts = [
        f"exposure{number} at {at}: {payload.tube_kv:g} kV, {payload.tube_current_ma:g} mA",
        f"{payload.exposure_ms:g} of {payload.set_exposure_ms:g} ms",
        payload.preset,
        None if payload.animal_size is None else f"{payload.animal_size} animal",
        "ended early" if payload.ended_early else None,
        _amount(payload.reported_kerma_mgy, "mGy"),
        _amount(payload.reported_kap_mgycm2, "mGy·cm²"),
    ]
    return ", ".join(part for part in parts if part)


def _amount(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:g} {unit}"
