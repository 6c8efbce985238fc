"""The trade's abbreviations in what a vet wrote, spelled out for other readers.

It explains words and judges none: what the signer meant counts.
"""

import re
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Text
from schemas.rule_files import read_rules

FILE: Final = "abbreviations.yaml"


class Abbreviation(Contract):
    """One abbreviation with its expansion and where that can be read."""

    short: Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]*(/[A-Z0-9]+)*$", max_length=24)]
    expansion: Annotated[str, Field(min_length=1, max_length=120)]
    source: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"short": "T/FX/EF", "expansion": "enamel fracture", "source": "invented, for the example"},
    )


class Abbreviations(Contract):
    """A list of abbreviations; each stands in it once."""

    abbreviations: tuple[Abbreviation, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"abbreviations": [Abbreviation.EXAMPLES[0]]},
    )

    @model_validator(mode="after")
    def _each_stands_once(self) -> Self:
        names = [one.short for one in self.abbreviations]
        if len(names) != len(set(names)):
            raise ValueError("expected every abbreviation once")
        return self


def load_abbreviations(folder: Path | None) -> tuple[Abbreviation, ...]:
    """Read the packaged list, and over it the group's own. Raises InvalidInput."""
    known = {one.short: one for one in _read(files("services.notes") / FILE)}
    if folder is not None and (folder / FILE).is_file():
        known |= {one.short: one for one in _read(folder / FILE)}
    return tuple(known.values())


def _read(source: Any) -> tuple[Abbreviation, ...]:
    return read_rules(Abbreviations, source).abbreviations


def used(texts: Iterable[str], known: Iterable[Abbreviation]) -> list[Abbreviation]:
    """Find the abbreviations in texts, by whole words in capitals, in the order of letters."""
    words = {word for text in texts for word in _WORD.findall(text)}
    return sorted((one for one in known if one.short in words), key=lambda one: one.short)


_WORD: Final = re.compile(r"(?<![\w/])[A-Z][A-Z0-9]*(?:/[A-Z0-9]+)*(?![\w/])")
