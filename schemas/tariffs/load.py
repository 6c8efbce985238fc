"""Tariffs read from YAML: the packaged ones, and a group's own in a folder."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import pairwise
from pathlib import Path

from schemas.errors import InvalidInput
from schemas.rule_files import read_rules
from schemas.tariffs.model import Tariff


@dataclass(frozen=True, slots=True)
class TariffBook:
    """Every tariff by its code, each with its versions by the day from which they hold."""

    versions: dict[str, tuple[Tariff, ...]]

    def __contains__(self, code: object) -> bool:
        return code in self.versions

    def __iter__(self) -> Iterator[str]:
        return iter(self.versions)

    def on(self, code: str, day: date) -> Tariff:
        """Give the version that holds on a day, else the last before it, else the first.

        Whoever prices by it asks ``holds_on``. Raises KeyError for a code that is not there.
        """
        versions = self.versions[code]
        begun = [version for version in versions if version.valid_from <= day]
        return begun[-1] if begun else versions[0]


def load_tariffs(extra_dir: Path | None = None) -> TariffBook:
    """Read every tariff: the packaged ones, then those of ``extra_dir`` (``*.yaml``).

    Versions of one code stand in files of their own. A group's tariff replaces the packaged one
    of the same code, with all its versions.

    Raises
    ------
    InvalidInput
        The folder is missing, a file cannot be read or breaks the contract, or two versions of
        one code hold on one day; the file, the field and what was expected are named.
    """
    tariffs = dict(_packaged())
    if extra_dir is not None:
        if not extra_dir.is_dir():
            raise InvalidInput("tariffs", str(extra_dir), "a folder of YAML files: make it")
        tariffs |= _read_all(sorted(extra_dir.glob("*.yaml")))
    return TariffBook(dict(sorted(tariffs.items())))


def read_tariff(source: Path | Traversable) -> Tariff:
    """Read one tariff; raises InvalidInput with the file, the field and what was expected."""
    return read_rules(Tariff, source)


@cache
def _packaged() -> dict[str, tuple[Tariff, ...]]:
    folder = files(__package__)
    return _read_all(entry for entry in folder.iterdir() if entry.name.endswith(".yaml"))


def _read_all(sources: Iterable[Path | Traversable]) -> dict[str, tuple[Tariff, ...]]:
    read: dict[str, list[tuple[Tariff, str]]] = {}
    for source in sources:
        tariff = read_tariff(source)
        read.setdefault(tariff.code, []).append((tariff, source.name))
    return {code: _in_order(versions) for code, versions in read.items()}


def _in_order(read: list[tuple[Tariff, str]]) -> tuple[Tariff, ...]:
    ordered = sorted(read, key=lambda one: one[0].valid_from)
    for (before, name), (after, later) in pairwise(ordered):
        if before.valid_to is None or before.valid_to >= after.valid_from:
            raise InvalidInput(
                f"{name}: valid_to",
                str(before.valid_to),
                f"a day before {after.valid_from}, from which {later} holds for {after.code}",
            )
    return tuple(tariff for tariff, _ in ordered)
