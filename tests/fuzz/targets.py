"""All parsers by name. A module that is not there is named, and its parsers count as missing."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Final

from tests.fuzz.target import Ready, Target

ROOMS: Final = {
    "text_targets": (
        "message",
        "device-line",
        "device-json-line",
        "mapping-file",
        "record-codes-file",
        "group-file",
    ),
    "record_targets": ("fhir", "hl7", "mllp-frames"),
    "dicom_targets": (
        "dicom-command",
        "image-structure",
        "image-header",
        "image-check",
        "image-deflated",
        "import-file",
        "dose-report",
    ),
    "request_targets": ("find-identifier", "step-create", "step-change", "commitment"),
    "http_targets": ("http-facts", "http-fhir"),
    "socket_targets": ("dicom-socket", "mllp-socket"),
}
MODULES: Final = tuple(f"tests.fuzz.{room}" for room in ROOMS)
NAMES: Final = tuple(name for names in ROOMS.values() for name in names)


def find(name: str) -> Target:
    """Give a parser by name; where it cannot be imported, one that says so when prepared."""
    room = next(room for room, names in ROOMS.items() if name in names)
    try:
        module = import_module(f"tests.fuzz.{room}")
    except ImportError as error:
        return Target(name, _Missing(error))
    found: Target = next(one for one in module.TARGETS if one.name == name)
    return found


class _Missing:
    def __init__(self, error: ImportError) -> None:
        self._error = error

    def __call__(self, folder: Path) -> Ready:
        raise self._error
