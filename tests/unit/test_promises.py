"""The list of promises is sound: its tests are there, its breaks fit, its table is current."""

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
def test_the_break_of_a_promise_can_be_planted_still(one: Promise) -> None:
    for change in one.changes:
        assert change.fits(ROOT), f"expected once in its file: {change}"
        if change.file.endswith(".py"):
            text = (ROOT / change.file).read_text(encoding="utf-8")
            ast.parse(text.replace(change.find, change.put))


def test_the_table_for_people_is_current() -> None:
    assert TABLE.read_text(encoding="utf-8") == table(), "python -m tests.promises --table"
