"""How one device's lines of text become facts: the models of a mapping file."""

import json
from functools import cache
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from schemas.base import Contract, Name, Text
from schemas.facts import ExposureEnded
from schemas.mappings.text_layout import Cell, ColumnName, DelimitedText, JsonLines
from schemas.mappings.time_reading import TimeReading
from schemas.mappings.units import UNITS_OF, unit_as_printed

Constant = str | int | float | bool

FROM_THE_DEVICE = frozenset({"room", "generator", "generator_serial"})
"""Fields that follow from the device that is watched, where the mapping is silent."""

FIELDS: tuple[str, ...] = tuple(name for name in ExposureEnded.model_fields if name != "told_by")
"""What of an exposure a mapping may fill."""

YES_OR_NO = frozenset({"ended_early", "manual_setting", "test_exposure"})
CODED = frozenset({"receptor", "animal_size"}) | YES_OR_NO
"""Fields whose values are ours alone, so that codes are needed."""


class Condition(Contract):
    """A column holds one of some values."""

    column: ColumnName
    values: Annotated[tuple[Cell, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"column": "Event", "values": ["EXP"]},)


class FieldFrom(Contract):
    """One column becomes one field. ``codes`` turns the device's words into ours; a word that is
    not among them refuses the line. A cell may be empty only where it is ``optional``."""

    column: ColumnName
    field: str
    unit: Annotated[str, AfterValidator(unit_as_printed)] | None = None
    codes: Annotated[dict[Cell, str | bool], Field(min_length=1)] | None = None
    optional: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"column": "Current", "field": "tube_current_ma", "unit": "µA"},
        {"column": "Program", "field": "preset", "codes": {"P1": "side-upper"}},
    )

    @model_validator(mode="after")
    def _fits_its_field(self) -> Self:
        if self.field not in FIELDS:
            raise ValueError(f"field: expected one of {', '.join(FIELDS)}, got {self.field!r}")
        units = UNITS_OF.get(self.field)
        if units is None and self.unit is not None:
            raise ValueError(f"unit: expected none, since {self.field} is no quantity")
        if units is not None and self.unit not in units:
            raise ValueError(
                f"unit: expected one of {', '.join(units)} for {self.field}, got {self.unit!r}"
            )
        if units is not None and self.codes is not None:
            raise ValueError(f"codes: expected none, since {self.field} is a quantity")
        if self.field in CODED and self.codes is None:
            raise ValueError(f"codes: expected the device's words for each {self.field}")
        for word, value in (self.codes or {}).items():
            check_constant(f"codes.{word}", self.field, value)
        return self


class ExposureLine(Contract):
    """A line that tells an exposure. Every line does, unless ``when`` says which.

    ``constants`` are in the unit of the field's name. Room, generator and serial follow from the
    watched device where nothing is said of them.
    """

    fact: Literal["exposure_ended"]
    when: Condition | None = None
    time: TimeReading
    fields: tuple[FieldFrom, ...]
    constants: dict[str, Constant] = Field(default_factory=dict)

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "fact": "exposure_ended",
            "time": TimeReading.EXAMPLES[0],
            "fields": [
                {"column": "kV", "field": "tube_kv", "unit": "kV"},
                {"column": "Current", "field": "tube_current_ma", "unit": "µA"},
                {"column": "Set", "field": "set_exposure_ms", "unit": "s"},
                {"column": "Time", "field": "exposure_ms", "unit": "s"},
            ],
            "constants": {"receptor": "direct_sensor"},
        },
    )

    @model_validator(mode="after")
    def _fills_an_exposure_once(self) -> Self:
        mapped = [one.field for one in self.fields]
        for name, value in self.constants.items():
            if name not in FIELDS:
                raise ValueError(f"constants.{name}: expected one of {', '.join(FIELDS)}")
            check_constant(f"constants.{name}", name, value)
        filled = [*mapped, *self.constants]
        doubled = sorted({name for name in filled if filled.count(name) > 1})
        if doubled:
            raise ValueError(f"fields: expected each field once, got {', '.join(doubled)} twice")
        required = {n for n, info in ExposureEnded.model_fields.items() if info.is_required()}
        lacking = sorted(required - set(filled) - FROM_THE_DEVICE)
        if lacking:
            raise ValueError(f"fields: expected a column or constant for {', '.join(lacking)}")
        return self

    @property
    def columns(self) -> frozenset[str]:
        when = {self.when.column} if self.when else set()
        return frozenset(when | {*self.time.columns} | {one.column for one in self.fields})


class ClockLine(Contract):
    """A line on which the device's clock (``time``) stands beside a clock that is right
    (``reference_time``), such as that of the computer that writes the file."""

    fact: Literal["clock_read"]
    when: Condition | None = None
    time: TimeReading
    reference_time: TimeReading

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "fact": "clock_read",
            "when": {"column": "Event", "values": ["CLK"]},
            "time": TimeReading.EXAMPLES[0],
            "reference_time": {"columns": ["Host"], "formats": ["iso"], "zone": "UTC"},
        },
    )

    @property
    def columns(self) -> frozenset[str]:
        when = {self.when.column} if self.when else set()
        return frozenset(when | {*self.time.columns, *self.reference_time.columns})


class DeviceMapping(Contract):
    """How one device's text output becomes facts.

    Blank lines and lines that begin with one of ``skip_lines_starting`` are passed over, and so
    are lines that ``pass_over`` names. A column that nothing names is reported; one of
    ``unused_columns`` is known to tell us nothing.
    """

    name: Name
    basis: Literal["invented", "group"]
    note: Text
    encoding: Literal["utf-8", "us-ascii", "iso-8859-1", "iso-8859-15", "windows-1252"] = "utf-8"
    format: Annotated[DelimitedText | JsonLines, Field(discriminator="kind")]
    longest_line_bytes: Annotated[int, Field(ge=64, le=65_536)] = 4_096
    skip_lines_starting: tuple[Annotated[str, Field(min_length=1, max_length=64)], ...] = ()
    records: Annotated[
        tuple[Annotated[ExposureLine | ClockLine, Field(discriminator="fact")], ...],
        Field(min_length=1, max_length=8),
    ]
    pass_over: tuple[Condition, ...] = ()
    unused_columns: tuple[ColumnName, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "invented-generator",
            "basis": "invented",
            "note": "Invented example.",
            "format": DelimitedText.EXAMPLES[0],
            "records": [ExposureLine.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _columns_and_conditions_agree(self) -> Self:
        by_position = self.format.columns if isinstance(self.format, DelimitedText) else ()
        strangers = sorted(self.needed_columns - set(by_position))
        if by_position and strangers:
            raise ValueError(f"format.columns: expected {', '.join(strangers)} among them")
        if len(self.records) > 1 and any(record.when is None for record in self.records):
            raise ValueError("records: expected each to say when, since there are several")
        return self

    @property
    def needed_columns(self) -> frozenset[str]:
        """What every header must name."""
        conditions = frozenset(condition.column for condition in self.pass_over)
        return conditions.union(*(record.columns for record in self.records))


@cache
def _adapter(field: str) -> TypeAdapter[Any]:
    annotation = ExposureEnded.model_fields[field].rebuild_annotation()
    return TypeAdapter(annotation, config=ConfigDict(strict=True))


def check_constant(where: str, field: str, value: Constant) -> None:
    """Check a value against the field of an exposure that it would fill (ValueError)."""
    try:
        _adapter(field).validate_json(json.dumps(value))
    except ValidationError as error:
        told = error.errors(include_url=False)[0]["msg"]
        raise ValueError(f"{where}: for {field}: {told}, got {value!r}") from error
