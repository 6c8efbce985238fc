"""Each ``gomphosis …`` that the texts name is there, with its options and all that it wants."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import click
import pytest
import typer.main

from services.runtime.cli.main import COMMANDS, app

ROOT = Path(__file__).parents[2]
TEXTS = ("*.md", "services/**/*.md", "services/**/*.service", "services/**/*.timer")
NAMED = re.compile(r"(?:^|[`\s/])gomphosis ((?:-|[a-z])[^`\n#|]*)")
PLACE = re.compile(r"<[^>]*>|\{[^}]*\}|\$\$\([^)]*\)")
"""Something to be put in."""


@cache
def program() -> Any:
    for point in entry_points(group=COMMANDS):
        app.command(point.name)(point.load())
    return typer.main.get_command(app)


def named() -> Iterator[tuple[str, str]]:
    """Give where, and the words after the program's name, in code only."""
    for text in sorted({path for glob in TEXTS for path in ROOT.glob(glob)}):
        if text.name == "CHANGELOG.md":
            continue
        inside = False
        for line in text.read_text(encoding="utf-8").splitlines():
            inside ^= line.startswith("```")
            is_code = inside or text.suffix != ".md"
            for code in [line] if is_code else re.findall(r"`([^`]*)`", line):
                for found in NAMED.finditer(code.split(" # ")[0]):
                    yield text.relative_to(ROOT).as_posix(), found[1].strip()


def described() -> Iterator[tuple[str, str]]:
    """Give the examples that the commands themselves tell."""
    for source in sorted((ROOT / "services").rglob("*.py")):
        for found in re.finditer(r"Example: gomphosis (.+)", source.read_text(encoding="utf-8")):
            yield source.relative_to(ROOT).as_posix(), found[1].strip()


ALL = sorted({*named(), *described()})


def command_of(words: list[str]) -> tuple[click.Command, list[str]]:
    """Follow the names; give the command and what is left."""
    found = program()
    while words and hasattr(found, "commands"):
        assert words[0] in found.commands, f"no such command: {words[0]}"
        found, words = found.commands[words[0]], words[1:]
    return found, words


@pytest.mark.parametrize(("where", "said"), ALL, ids=[f"{w}: {s[:60]}" for w, s in ALL])
def test_what_is_named_is_there(where: str, said: str) -> None:
    words = PLACE.sub("put-in", said).split()
    if words[0].startswith("-"):
        assert words[0] in {"--help", "--version"}
        return
    command, told = command_of(words)
    options = {name: one for one in command.params for name in (*one.opts, *one.secondary_opts)}
    names = [word.split("=")[0] for word in told if word.startswith("--")]

    assert set(names) <= {*options, "--help"}, f"{where}: an option that is not there"
    if told:
        wanted = {one.opts[-1] for one in command.params if one.required}
        arguments = sum(isinstance(one, click.Argument) for one in command.params if one.required)
        given = {options[name].opts[-1] for name in names if name in options}
        assert {one for one in wanted if one.startswith("-")} <= given, f"{where}: something lacks"
        assert len(told) - len(names) >= arguments


def test_the_texts_name_most_commands() -> None:
    assert len(ALL) > 60
    assert {said.split()[0] for _, said in ALL} >= set(program().commands)
