"""CSV and workbooks: read back by an independent reader, and no cell becomes a formula.

Sources: OWASP ASVS 5.0, requirement 1.2.10, and CWE-1236, for the characters and the apostrophe;
RFC 4180 for CSV (all from memory). The workbook is read back by openpyxl, which shares no code
with the writer.
"""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import date
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.runtime.sheets import SheetError, write_csv, write_workbook

RISKY = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x","y")', "{=1}"]
HEADS = ("text", "day", "amount", "count")


@pytest.mark.parametrize("text", RISKY[:-1])
def test_a_text_that_looks_like_a_formula_has_an_apostrophe_in_csv(text: str) -> None:
    file = io.StringIO()

    assert write_csv(file, HEADS, [(text, None, Decimal("-14.50"), 3)]) == 1

    rows = list(csv.reader(io.StringIO(file.getvalue(), newline="")))
    assert rows == [list(HEADS), [f"'{text}", "", "-14.50", "3"]]


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=30))
def test_every_text_survives_csv_and_never_begins_a_formula(text: str) -> None:
    file = io.StringIO()
    write_csv(file, ("text", "more"), [(text, "x")])

    ((_, _), (cell, _)) = csv.reader(io.StringIO(file.getvalue(), newline=""))

    assert cell in {text, f"'{text}"}
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\0"))


def test_a_workbook_holds_texts_as_texts_and_amounts_as_numbers(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    rows = [(text, date(2026, 3, 2), Decimal("-14.50"), 3) for text in RISKY]

    write_workbook(path, [("lines", HEADS, rows), ("more", HEADS, [])])

    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["lines", "more"]
    cells = list(book["lines"].iter_rows(min_row=2))
    assert len(cells) == len(RISKY)
    for text, (first, day, amount, count) in zip(RISKY, cells, strict=True):
        assert first.data_type in {"s", "inlineStr"}
        # A carriage return has the escape of the format (ECMA-376 part 1, ST_Xstring; memory).
        assert str(first.value).replace("_x000D_", "\r") == text
        assert day.value.date() == date(2026, 3, 2)
        assert (amount.data_type, Decimal(str(amount.value))) == ("n", Decimal("-14.5"))
        assert count.value == 3


@settings(max_examples=20, deadline=None)
@given(
    st.sampled_from("=+-@"), st.text(st.characters(codec="ascii", min_codepoint=32), max_size=12)
)
def test_no_text_becomes_a_formula_in_a_workbook(begin: str, rest: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "book.xlsx"
        write_workbook(path, [("lines", ("text",), [(begin + rest,)])])
        (cell,) = next(openpyxl.load_workbook(path)["lines"].iter_rows(min_row=2))

    assert cell.data_type != "f"
    assert cell.value == begin + rest


def test_a_text_that_is_too_long_for_a_cell_is_told_and_not_dropped(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="CSV"):
        write_workbook(tmp_path / "x.xlsx", [("lines", ("text",), [("x" * 40_000,)])])


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="no-such-folder"):
        write_workbook(tmp_path / "no-such-folder" / "x.xlsx", [("lines", HEADS, [])])
