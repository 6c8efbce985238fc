"""Tariffs read from YAML: the packaged one, and a group's own in a folder."""

from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from schemas.errors import InvalidInput
from schemas.rule_files import read_rules
from schemas.tariffs.model import Tariff


def load_tariffs(extra_dir: Path | None = None) -> dict[str, Tariff]:
    """Every tariff by its code: the packaged ones, then those of ``extra_dir`` (``*.yaml``).

    A group's tariff replaces the packaged one of the same code.

    Raises
    ------
    InvalidInput
        The folder is missing, a file cannot be read or breaks the contract, or two files of one
        folder give the same code; the file, the field and what was expected are named.
    """
    tariffs = dict(_packaged())
    if extra_dir is not None:
        if not extra_dir.is_dir():
            raise InvalidInput("tariffs", str(extra_dir), "a folder of YAML files: make it")
        tariffs |= _read_all(sorted(extra_dir.glob("*.yaml")))
    return dict(sorted(tariffs.items()))


def read_tariff(source: Path | Traversable) -> Tariff:
    """Read one tariff; raises InvalidInput with the file, the field and what was expected."""
    return read_rules(Tariff, source)


@cache
def _packaged() -> dict[str, Tariff]:
    folder = files(__package__)
    return _read_all(entry for entry in folder.iterdir() if entry.name.endswith(".yaml"))


def _read_all(sources: Iterable[Path | Traversable]) -> dict[str, Tariff]:
    tariffs: dict[str, Tariff] = {}
    for source in sources:
        tariff = read_tariff(source)
        if tariff.code in tariffs:
            raise InvalidInput(
                f"{source.name}: code", tariff.code, "a code that no other file of the folder has"
            )
        tariffs[tariff.code] = tariff
    return tariffs
