"""One line of a device's text as a fact, by the device's mapping. Pure."""

import json
import re
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

from pydantic import ValidationError

from schemas.envelope import Payload
from schemas.errors import InvalidInput
from schemas.facts import ClockRead, ExposureEnded
from schemas.group import Device
from schemas.mappings import (
    ClockLine,
    Condition,
    DelimitedText,
    DeviceMapping,
    ExposureLine,
    FieldFrom,
)
from schemas.mappings.units import in_our_unit
from services.intake.device_cells import (
    Columns,
    HeaderUnfit,
    by_column,
    header_in,
    json_cells,
    split,
    strangers,
    text_of,
)
from services.intake.device_clock import Reading, read_clock
from services.intake.permissions import check_permitted

_NUMBER = re.compile(r"^[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?$")
_NUMBER_WITH_COMMA = re.compile(r"^[+-]?[0-9]{1,15}(?:,[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?$")
_COUNT = re.compile(r"^[0-9]{1,19}$")


@dataclass(frozen=True, slots=True)
class Header:
    """The line names the columns; ``unknown`` are those that the mapping does not know."""

    columns: Columns
    unknown: Columns


@dataclass(frozen=True, slots=True)
class PassedOver:
    """The line tells nothing, by the mapping."""

    why: str


@dataclass(frozen=True, slots=True)
class Told:
    """The line tells a fact. ``source_clock`` is the device's reading, marked where unsure."""

    payload: Payload
    occurred_at: datetime
    source_clock: str
    unknown: Columns = ()


@dataclass(slots=True)
class Draft:
    """What could be read of a line that is refused, for a person to complete."""

    kind: str = ExposureEnded.KIND
    fields: dict[str, Any] = field(default_factory=dict)
    clock: Reading | None = None


class LineRefused(InvalidInput):
    """A line breaks its mapping or the contract of its fact; names column, value, expectation."""

    def __init__(self, error: InvalidInput, draft: Draft, more: int = 0) -> None:
        also = f" (and {more} more)" if more else ""
        super().__init__(error.field, None, error.expected + also)
        self.value = error.value
        self.args = (f"{self.field}: expected {self.expected}, got {self.value}",)
        self.draft = draft


LineRead = Header | PassedOver | Told


def read_line(
    mapping: DeviceMapping,
    raw: bytes,
    columns: Columns | None = None,
    device: Device | None = None,
    *,
    first: bool = False,
) -> LineRead:
    """Read one line, without its end.

    Parameters
    ----------
    columns
        What the header above named; None where none was seen.
    device
        Fills room, generator and serial, and may tell its own exposures only. None: a dry run.
    first
        The line is the first of its file: it may begin with a byte order mark.

    Raises
    ------
    HeaderUnfit
        A header is wanted and this is none that fits.
    LineRefused
        The line cannot be used.
    """
    draft = Draft()
    try:
        text = text_of(mapping, raw, first=first)
        if not text:
            return PassedOver("blank")
        if text.startswith(mapping.skip_lines_starting):
            return PassedOver("begins as the mapping skips")
        if isinstance(mapping.format, DelimitedText):
            split_up = split(mapping.format, text)
            if mapping.format.header:
                named = header_in(mapping, split_up, columns)
                if named is not None:
                    return Header(named, strangers(mapping, named))
            cells = by_column(split_up, columns or mapping.format.columns)
            unknown: Columns = ()
        else:
            cells = json_cells(text)
            unknown = strangers(mapping, cells)
        return _by_record(mapping, cells, unknown, device, draft)
    except (LineRefused, HeaderUnfit):
        raise
    except InvalidInput as error:
        raise LineRefused(error, draft) from error


def _by_record(
    mapping: DeviceMapping,
    cells: dict[str, str],
    unknown: Columns,
    device: Device | None,
    draft: Draft,
) -> PassedOver | Told:
    record = next((one for one in mapping.records if _holds(one.when, cells)), None)
    if record is None:
        if any(_holds(one, cells) for one in mapping.pass_over):
            return PassedOver("tells nothing, by pass_over")
        raise _of_no_record(mapping, cells)
    draft.kind = record.fact
    if isinstance(record, ClockLine):
        return _clock(record, cells, unknown, device, draft)
    return _exposure(mapping, record, cells, unknown, device, draft)


def _holds(condition: Condition | None, cells: dict[str, str]) -> bool:
    return condition is None or cells.get(condition.column, "") in condition.values


def _of_no_record(mapping: DeviceMapping, cells: dict[str, str]) -> InvalidInput:
    conditions = [one.when for one in mapping.records if one.when] + list(mapping.pass_over)
    column = conditions[0].column
    values = [value for one in conditions if one.column == column for value in one.values]
    return InvalidInput(f"column {column}", cells.get(column, ""), f"one of {', '.join(values)}")


def _exposure(
    mapping: DeviceMapping,
    record: ExposureLine,
    cells: dict[str, str],
    unknown: Columns,
    device: Device | None,
    draft: Draft,
) -> Told:
    if device is not None:
        own = {
            "room": device.room,
            "generator": device.name,
            "generator_serial": device.serial,
        }
        draft.fields.update({name: value for name, value in own.items() if value is not None})
    draft.fields.update(record.constants)
    wrong: list[InvalidInput] = []
    comma = isinstance(mapping.format, DelimitedText) and mapping.format.decimal_mark == ","
    try:
        draft.clock = _time(record, cells)
    except InvalidInput as error:
        wrong.append(error)
    for one in record.fields:
        try:
            value = _value(one, cells.get(one.column, ""), comma)
        except InvalidInput as error:
            wrong.append(error)
        else:
            if value is not None:
                draft.fields[one.field] = value
    if wrong or draft.clock is None:
        raise LineRefused(wrong[0], draft, len(wrong) - 1)
    if device is not None:
        check_permitted(device, record.fact, draft.fields)
    try:
        # By way of JSON: strict models take an enumeration as text in JSON only.
        payload = ExposureEnded.model_validate_json(json.dumps(draft.fields))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise LineRefused(
            _of_column(record, cells, str(first["loc"][0] if first["loc"] else ""), first),
            draft,
            error.error_count() - 1,
        ) from error
    return Told(payload, draft.clock.at, draft.clock.source_clock, unknown)


def _of_column(record: ExposureLine, cells: dict[str, str], name: str, told: Any) -> InvalidInput:
    """Name the column that a field came from, with the device's own words in it."""
    source = next((one for one in record.fields if one.field == name), None)
    expected = f"{told['msg']} (for {name})"
    if source is None:
        return InvalidInput(f"payload.{name}", told["input"], expected)
    return InvalidInput(f"column {source.column}", cells.get(source.column, ""), expected)


def _clock(
    record: ClockLine,
    cells: dict[str, str],
    unknown: Columns,
    device: Device | None,
    draft: Draft,
) -> Told:
    draft.fields["device"] = device.name if device is not None else "the-device"
    at = read_clock(
        _joined(record.reference_time.columns, cells),
        _named(record.reference_time.columns),
        record.reference_time,
    )
    draft.clock = at
    shown = _time(record, cells)
    draft.fields["device_time"] = shown.at.isoformat()
    if shown.mark:
        draft.fields["note"] = f"The device showed {shown.source_clock}"
    payload = ClockRead.model_validate_json(json.dumps(draft.fields))
    return Told(payload, at.at, at.source_clock, unknown)


def _time(record: ExposureLine | ClockLine, cells: dict[str, str]) -> Reading:
    reading = record.time
    return read_clock(_joined(reading.columns, cells), _named(reading.columns), reading)


def _joined(columns: Columns, cells: dict[str, str]) -> str:
    return " ".join(cells.get(column, "") for column in columns).strip()


def _named(columns: Columns) -> str:
    return f"column {' and '.join(columns)}"


def _value(one: FieldFrom, cell: str, comma: bool) -> Any:
    """Turn a cell into a field's value; None where it may be empty and is."""
    where = f"column {one.column}"
    if one.codes is not None and cell in one.codes:
        return one.codes[cell]  # also where the empty cell is a code
    if not cell:
        if one.optional:
            return None
        raise InvalidInput(where, cell, f"a value for {one.field}; the mapping has it not optional")
    if one.codes is not None:
        raise InvalidInput(where, cell, f"one of the codes {', '.join(one.codes)} for {one.field}")
    if one.unit is not None:
        return float(in_our_unit(one.field, _number(where, cell, one, comma), one.unit))
    if one.field == "exposure_counter":
        if not _COUNT.match(cell):
            raise InvalidInput(where, cell, f"a whole number for {one.field}")
        return int(cell)
    return cell


def _number(where: str, cell: str, one: FieldFrom, comma: bool) -> Decimal:
    # Only the mark that the mapping names: 1.234 in a file of commas may be a thousand.
    pattern = _NUMBER_WITH_COMMA if comma else _NUMBER
    if not pattern.match(cell):
        mark = "a comma" if comma else "a point"
        raise InvalidInput(
            where, cell, f"a number of {one.unit} for {one.field}, with {mark} before its decimals"
        )
    return Decimal(cell.replace(",", "."))
