"""A fault put into functions that are imported already, so that a trial has nothing to import."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import cached_property
from types import CodeType, FunctionType
from typing import Any

from tests.mutants.modules import dotted, file_of


def swap_in(module: str, faulty: str) -> bool:
    """Give the functions that differ their faulty code; False where more than functions differ."""
    path = str(file_of(module))
    told = file_of(module).read_text(encoding="utf-8")
    sound, changed = (compile(text, path, "exec", dont_inherit=True) for text in (told, faulty))
    try:
        pairs = list(_differing(sound, changed, ""))
        functions = [(_function(module, name), code) for name, code in pairs]
        for function, code in functions:
            function.__code__ = code
    except (LookupError, AttributeError, TypeError, ValueError):
        return False
    return bool(functions)


def _differing(sound: CodeType, changed: CodeType, within: str) -> Iterator[tuple[str, CodeType]]:
    """Give the functions of a module or class body that differ; LookupError where it does too."""
    if not _alike(sound, changed):
        raise LookupError(within)
    for one, other in zip(_inner(sound), _inner(changed), strict=True):
        name = f"{within}{one.co_name}"
        if one.co_flags & 0x2:  # CO_NEWLOCALS: a function, and no class body
            if not _same(one, other):
                yield name, other
        else:
            yield from _differing(one, other, f"{name}.")


def _inner(code: CodeType) -> list[CodeType]:
    return [one for one in code.co_consts if isinstance(one, CodeType)]


def _alike(one: CodeType, other: CodeType) -> bool:
    """Compare what is run, not where it stands in its line, and nothing within inner code."""
    plain = [
        [(type(c), repr(c)) for c in code.co_consts if not isinstance(c, CodeType)]
        for code in (one, other)
    ]
    names = one.co_names == other.co_names and len(_inner(one)) == len(_inner(other))
    return one.co_code == other.co_code and plain[0] == plain[1] and names


def _same(one: CodeType, other: CodeType) -> bool:
    inner = zip(_inner(one), _inner(other), strict=False)
    return _alike(one, other) and all(_same(a, b) for a, b in inner)


def _function(module: str, name: str) -> FunctionType:
    found: Any = sys.modules[dotted(module)]
    for part in name.split("."):
        found = vars(found)[part]
    if isinstance(found, property):
        found = found.fget
    if isinstance(found, cached_property):
        found = found.func
    while not isinstance(found, FunctionType):
        found = found.__wrapped__ if hasattr(found, "__wrapped__") else found.__func__
    while hasattr(found, "__wrapped__"):
        found = found.__wrapped__
    if not isinstance(found, FunctionType):
        raise TypeError(name)
    return found
