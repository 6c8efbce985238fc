"""The list of promises is sound: tests and breaks find their places, and its table is current."""

from __future__ import annotations

import ast

import pytest

from tests.promises.listed import ROOT, TABLE, Promise, names_of, promises, table

BY_TEST = [one for one in promises() if one.test is not None]


@pytest.mark.parametrize("one", BY_TEST, ids=lambda one: str(one.promise)[:50])
def test_the_test_that_holds_a_promise_is_there(one: Promise) -> None:
    path, name = names_of(str(one.test))

    tree = ast.parse(path.read_text(encoding="utf-8"))

    assert name in {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("one", promises(), ids=lambda one: str(one.promise)[:50])
def test_each_break_of_a_promise_still_finds_its_lines(one: Promise) -> None:
    assert [str(change) for change in one.changes if not change.fits(ROOT)] == []


def test_the_table_for_people_is_current() -> None:
    assert TABLE.read_text(encoding="utf-8") == table(), "python -m tests.promises --table"
