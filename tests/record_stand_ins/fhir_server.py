"""The stand-in FHIR record, started, told and killed by a test."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx

from services.records.adapters.fhir import FhirAdapter
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port, port_is_open

ROOT = Path(__file__).parents[2]
PATIENTS = "https://record.invalid/patient-id"
ORDERS = "https://record.invalid/order-id"


class FhirServer:
    """One process of ``tests.record_stand_ins.fhir_record``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://{LOOPBACK}:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.record_stand_ins.fhir_record"]
        self._process = subprocess.Popen([*command, str(self.port), str(self.folder)], cwd=ROOT)
        wait_until(lambda: port_is_open(self.port), 60, "the stand-in FHIR record to listen")

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(30)
            self._process = None

    def control(self, **told: Any) -> None:
        httpx.post(f"{self.url}/_control", json=told, timeout=30).raise_for_status()

    def behave(self, **settings: Any) -> None:
        self.control(set=settings)

    def fault(self, do: str, **more: Any) -> None:
        self.control(faults=[{"do": do, **more}])

    def held(self, kind: str) -> list[dict[str, Any]]:
        told = httpx.get(f"{self.url}/_control", timeout=30).json()["held"]
        return [one for one in told if one["resourceType"] == kind]

    def requests(self, method: str, path: str = "") -> list[dict[str, Any]]:
        told = httpx.get(f"{self.url}/_control", timeout=30).json()["requests"]
        return [one for one in told if one.get("method") == method and path in one["path"]]

    def adapter(self, **options: str) -> FhirAdapter:
        told = {"base_url": f"{self.url}/fhir", "patient_system": PATIENTS, "timeout_s": "10"}
        return FhirAdapter(told | options)
