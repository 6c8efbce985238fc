"""The stand-in FHIR server that intake asks, started, told and killed by a test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.servers.stand_in import HttpStandIn


class Server(HttpStandIn):
    """One process of ``tests.record_inputs.fhir_server``."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        super().__init__("tests.record_inputs.fhir_server", folder)

    def requests(self, path: str = "") -> list[dict[str, Any]]:
        return [one for one in self.told()["requests"] if path in one["path"]]
