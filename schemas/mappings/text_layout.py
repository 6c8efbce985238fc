"""How a device lays out its lines of text: cells between delimiters, or JSON."""

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract

ColumnName = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^\S(.*\S)?$")]
"""A column as the device's header names it, or a key of its JSON."""

Cell = Annotated[str, Field(max_length=64)]


class DelimitedText(Contract):
    """Cells between delimiters, one record a line.

    With ``header`` the first line names the columns, in any order; without it ``columns`` does, by
    position.
    """

    kind: Literal["delimited"]
    delimiter: Annotated[str, Field(pattern=r"^[,;|\t]$")]
    header: bool
    columns: tuple[ColumnName, ...] = ()
    quote: Annotated[str, Field(pattern=r"^[\"']$")] | None = '"'
    decimal_mark: Literal[".", ","] = "."

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"kind": "delimited", "delimiter": ";", "header": True, "decimal_mark": ","},
        {"kind": "delimited", "delimiter": "\t", "header": False, "columns": ["Shot", "kV"]},
    )

    @model_validator(mode="after")
    def _columns_are_named_once(self) -> Self:
        if self.header == bool(self.columns):
            raise ValueError("expected columns by position where there is no header, else none")
        if len(set(self.columns)) != len(self.columns):
            raise ValueError("expected each of columns to have a name of its own")
        if self.delimiter == self.decimal_mark:
            raise ValueError("expected a delimiter that is not the decimal_mark too")
        return self


class JsonLines(Contract):
    """One flat JSON object a line; its keys are the columns."""

    kind: Literal["json_lines"]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"kind": "json_lines"},)
