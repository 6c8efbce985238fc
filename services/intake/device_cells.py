"""One line of a device's text as cells by column. Pure."""

import csv
import json
from collections.abc import Mapping
from typing import Any

from schemas.errors import InvalidInput
from schemas.mappings import DelimitedText, DeviceMapping, JsonLines

Columns = tuple[str, ...]

UTF_8_MARK = b"\xef\xbb\xbf"
_LONGEST_KEY = 64
_UTF_16_MARKS = (b"\xff\xfe", b"\xfe\xff")


class HeaderUnfit(InvalidInput):
    """The header does not name what the mapping needs, so no line below it can be read."""


def text_of(mapping: DeviceMapping, raw: bytes, *, first: bool = False) -> str:
    """Decode a line; InvalidInput where it is not text in the mapping's encoding.

    ``first``: a byte order mark may stand before it, and must agree with the encoding.
    """
    if first and raw.startswith(UTF_8_MARK):
        if mapping.encoding not in {"utf-8", "us-ascii"}:
            raise HeaderUnfit("encoding", mapping.encoding, "utf-8, as the byte order mark says")
        raw = raw.removeprefix(UTF_8_MARK)
    if first and raw.startswith(_UTF_16_MARKS):
        raise HeaderUnfit("encoding", "utf-16", f"{mapping.encoding}: have the file written so")
    try:
        text = raw.decode(mapping.encoding)
    except UnicodeDecodeError as error:
        raise InvalidInput("line", raw[:60], f"text in {mapping.encoding}") from error
    text = text.strip("\r\n ")
    if not text.replace("\t", " ").isprintable():
        raise InvalidInput("line", text[:60], "printable characters only")
    return text


def split(form: DelimitedText, text: str) -> Columns:
    """Split a delimited line into its cells, without the blanks around each."""
    quoted = form.quote is not None
    reader = csv.reader(
        [text],
        delimiter=form.delimiter,
        quotechar=form.quote if quoted else None,
        quoting=csv.QUOTE_MINIMAL if quoted else csv.QUOTE_NONE,
        skipinitialspace=form.delimiter != "\t",
        strict=True,
    )
    try:
        return tuple(cell.strip() for cell in next(reader))
    except csv.Error as error:
        raise InvalidInput("line", text, f"cells between {form.delimiter!r} ({error})") from error


def header_in(mapping: DeviceMapping, cells: Columns, known: Columns | None) -> Columns | None:
    """Give the columns where these cells are a header, or None where they are data.

    A device may write its header again at any time. HeaderUnfit: some of the names are there
    and others are not, or there is no header yet and this is none.
    """
    needed = mapping.needed_columns
    named = needed.intersection(cells)
    while cells and not cells[-1]:
        cells = cells[:-1]  # a delimiter at the end of the line
    if named != needed:
        if known is not None and len(named) < 2:
            return None
        lacking = ", ".join(sorted(needed - named))
        raise HeaderUnfit(
            "header", ", ".join(cells), f"a line that names the columns {lacking} too"
        )
    doubled = sorted({cell for cell in cells if cells.count(cell) > 1})
    if doubled:
        raise HeaderUnfit("header", ", ".join(doubled), "each column once")
    return cells


def by_column(cells: Columns, columns: Columns) -> dict[str, str]:
    """Put cells under their columns; empty cells too many at the end are let pass."""
    while len(cells) > len(columns) and not cells[-1]:
        cells = cells[:-1]
    if len(cells) != len(columns):
        raise InvalidInput("line", f"{len(cells)} cells", f"{len(columns)}, one to each column")
    return dict(zip(columns, cells, strict=True))


def json_cells(text: str) -> dict[str, str]:
    """Read a flat JSON object; every number stays the text that it was told as."""
    try:
        told = json.loads(
            text,
            parse_float=str,
            parse_int=str,
            parse_constant=_no_number,
            object_pairs_hook=_each_key_once,
        )
    except (ValueError, RecursionError) as error:
        raise InvalidInput("line", text, f"one JSON object ({error})") from error
    if not isinstance(told, dict):
        raise InvalidInput("line", text, "one JSON object")
    for key in told:
        if len(key) > _LONGEST_KEY or not key.isprintable():
            raise InvalidInput("line", key, f"keys of at most {_LONGEST_KEY} printable characters")
    return {key: _json_cell(key, value) for key, value in told.items()}


def _json_cell(key: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if not isinstance(value, str):
        raise InvalidInput(f"column {key}", value, "a number, a text, true, false or null")
    if not value.isprintable():
        raise InvalidInput(f"column {key}", value, "printable characters only")
    return value.strip()


def _no_number(text: str) -> Any:
    raise ValueError(f"{text} is no number")


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def strangers(mapping: DeviceMapping, columns: Columns | Mapping[str, str]) -> Columns:
    """List the columns that the mapping does not know."""
    known = mapping.needed_columns.union(mapping.unused_columns)
    if isinstance(mapping.format, JsonLines):
        return tuple(sorted(set(columns) - known))
    return tuple(column for column in columns if column and column not in known)
