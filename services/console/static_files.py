"""The few files beside the pages: read once, named by their content, so that browsers keep them."""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_FOLDER: Final = Path(__file__).with_name("static")
_TYPES: Final = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """A file as it is sent."""

    content: bytes
    media_type: str
    version: str


class StaticFiles:
    """The files of the folder ``static``; nothing outside it can be asked for."""

    def __init__(self) -> None:
        self._files = {
            path.name: _read(path) for path in _FOLDER.iterdir() if path.suffix in _TYPES
        }

    def get(self, name: str) -> StaticFile | None:
        return self._files.get(name)

    def address(self, name: str) -> str:
        """Give the address of a file; another one after each change of it (KeyError)."""
        return f"/static/{name}?v={self._files[name].version}"


def _read(path: Path) -> StaticFile:
    content = path.read_bytes()
    return StaticFile(content, _TYPES[path.suffix], hashlib.sha256(content).hexdigest()[:16])
