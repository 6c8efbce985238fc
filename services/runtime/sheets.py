"""Rows as CSV and as a workbook, in which no cell is ever read as a formula.

A text that begins with ``=``, ``+``, ``-``, ``@``, a tab, a carriage return or a null gets an
apostrophe before it in CSV (OWASP ASVS 5.0, requirement 1.2.10, and CWE-1236; from memory). A
workbook says of each cell whether it is a text, so there the text stays as it is. Amounts are
numbers in both.
"""

import csv
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

import xlsxwriter

from schemas.errors import GomphosisError

Cell = str | int | float | Decimal | date | None
Sheet = tuple[str, Sequence[str], Iterable[Sequence[Cell]]]
"""A name, the heads of the columns, and the rows."""

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\0")
_MOST_ROWS = 1_048_575
"""A worksheet has 1,048,576 rows (the limit that readers of ECMA-376 keep to; from memory)."""


class SheetError(GomphosisError):
    """A file cannot be written, or is too large for its format; says what to do."""


def write_csv(file: IO[str], heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> int:
    """Write rows by RFC 4180 (from memory); give their number."""
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(heads)
    count = 0
    for row in rows:
        writer.writerow([_plain(cell) for cell in row])
        count += 1
    return count


def write_workbook(path: Path | IO[bytes], sheets: Iterable[Sheet]) -> None:
    """Write a workbook row by row, with little memory, to a file or into memory.

    Raises SheetError.
    """
    name = str(path) if isinstance(path, Path) else "the workbook"
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": "yyyy-mm-dd",
    }
    try:
        with xlsxwriter.Workbook(name if isinstance(path, Path) else path, options) as book:
            bold = book.add_format({"bold": True})
            money = book.add_format({"num_format": "0.00"})
            for title, heads, rows in sheets:
                sheet = book.add_worksheet(title)
                sheet.freeze_panes(1, 0)
                for place, head in enumerate(heads):
                    sheet.write_string(0, place, head, bold)
                for number, row in enumerate(rows, start=1):
                    if number > _MOST_ROWS:
                        raise SheetError(
                            f"{name}: expected at most {_MOST_ROWS} rows in a sheet; "
                            "write CSV, or fewer days"
                        )
                    for place, cell in enumerate(row):
                        if _write(sheet, number, place, cell, money) != 0:
                            raise SheetError(
                                f"{name}, row {number}: expected a {heads[place]} that fits a "
                                "cell; write CSV"
                            )
    except (OSError, xlsxwriter.exceptions.XlsxWriterException) as error:
        raise SheetError(f"{name}: expected to write a workbook there ({error})") from error


def _write(sheet: Any, row: int, place: int, cell: Cell, money: object) -> int:
    """Write a cell as what it is; 0 where it was written."""
    if cell is None:
        return 0
    if isinstance(cell, str):
        return int(sheet.write_string(row, place, cell))
    if isinstance(cell, Decimal):
        return int(sheet.write_number(row, place, cell, money))
    if isinstance(cell, date):
        return int(sheet.write_datetime(row, place, cell))
    return int(sheet.write_number(row, place, cell))


def _plain(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(_RISKY) else cell
    return cell.isoformat() if isinstance(cell, date) else str(cell)
