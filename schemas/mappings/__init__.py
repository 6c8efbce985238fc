"""Mapping files: how one device's text output becomes exposures and clock readings."""

from importlib.resources import files
from pathlib import Path

from schemas.mappings.model import ClockLine, Condition, DeviceMapping, ExposureLine, FieldFrom
from schemas.mappings.text_layout import DelimitedText, JsonLines
from schemas.mappings.time_reading import TimeReading, zone_of
from schemas.rule_files import read_rules

__all__ = [
    "ClockLine",
    "Condition",
    "DelimitedText",
    "DeviceMapping",
    "ExposureLine",
    "FieldFrom",
    "JsonLines",
    "TimeReading",
    "load_mapping",
    "zone_of",
]


def load_mapping(path: Path | None = None) -> DeviceMapping:
    """Read a mapping; without ``path`` the invented example shipped here.

    Raises ``InvalidInput``, naming the field and what was expected, where the file breaks the
    contract.
    """
    return read_rules(DeviceMapping, path or files(__name__) / "invented_generator.yaml")
