"""The list of promises is sound: its tests are there, and its table is current."""

from __future__ import annotations

import ast

import pytest

from tests.promises.listed import TABLE, Promise, names_of, promises, table

BY_TEST = [one for one in promises() if one.test is not None]


@pytest.mark.parametrize("one", BY_TEST, ids=lambda one: str(one.promise)[:50])
def test_the_test_that_holds_a_promise_is_there(one: Promise) -> None:
    path, name = names_of(str(one.test))

    tree = ast.parse(path.read_text(encoding="utf-8"))

    assert name in {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def test_the_table_for_people_is_current() -> None:
    assert TABLE.read_text(encoding="utf-8") == table(), "python -m tests.promises --table"
