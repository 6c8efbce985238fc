"""An invented patient on the table today, told by the real doors of a running hospital."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import select

from demo.hospital import Hospital
from demo.http_teller import HttpTeller
from demo.station import Station
from demo.story import RECEPTOR, ROOM, TUBE_CURRENT_MA, TUBE_KV, Shot, invented_uid, preset_of
from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import ExposureEnded, OrderPlaced, Patient
from schemas.messages import parse
from schemas.plans import load_plans
from services.console.views_chairside import study_board
from services.intake.store import FACT
from tests.servers.polling import wait_until

SITE = "bramble"
PLAN = "dog-full-mouth"
PERSON = "tech-1"
PASSWORD = f"invented password of {PERSON}"
_SET_MS = {"front-upper": 90.0, "side-upper": 120.0, "front-lower": 80.0, "side-lower": 100.0}
"""The demo's invented chart for a small animal."""


class ChairsideDay:
    """One hospital and its invented patients of today."""

    def __init__(self, hospital: Hospital) -> None:
        self.hospital = hospital
        self.url = f"http://127.0.0.1:{hospital.environment['GOMPHOSIS_CONSOLE__PORT']}"
        self.store = hospital.store
        self._generator = HttpTeller(hospital.http_url, "generator-1")
        self._record = HttpTeller(hospital.http_url, "record-1")
        self._station = Station("127.0.0.1", hospital.dicom_port)
        self._plans = load_plans()
        self._counter = 100
        self._clocks: dict[int, datetime] = {}

    def close(self) -> None:
        self._station.close()

    def order(self, number: int, name: str = "Pepper", kg: float | None = 11.4) -> str:
        """Place an order, once, and wait until the board knows of it; give the study's UID."""
        study = invented_uid(f"chairside {os.getpid()} {number}")
        if number in self._clocks:
            return study
        patient = {key: value for key, value in Patient.EXAMPLES[0].items() if key != "weight"}
        patient |= {"patient_id": f"INV-9{number:03d}", "name": name}
        if kg is not None:
            patient["weight"] = {"value": kg, "unit": "kg"}
        # Half an hour apart, as linking keeps patients of one minute apart from each other.
        now = datetime.now(UTC)
        self._clocks[number] = now - number * timedelta(minutes=30) - timedelta(minutes=10)
        placed = OrderPlaced.EXAMPLES[0] | {
            "order_id": f"9{number:03d}",
            "study_instance_uid": study,
            "accession_number": f"INV9{number:03d}",
            "patient": patient,
            "plan": PLAN,
            "room": ROOM,
            "scheduled_at": self._clocks[number].isoformat(),
        }
        self._record.tell(OrderPlaced.KIND, now, placed)
        self.wait_for(study, lambda found: bool(found.views), "the order on the board")
        self._station.worklist({"accession_number": placed["accession_number"]})
        return study

    def expose(
        self, number: int, view: str, share: float = 1.0, after_s: float = 50.0, **values: Any
    ) -> datetime:
        """Tell one exposure; a ``share`` below 1 was released early. Give its moment."""
        self._counter += 1
        at = self._clocks[number] = self._clocks[number] + timedelta(seconds=after_s)
        preset = preset_of(self._view(view))
        told: dict[str, Any] = {
            "room": ROOM,
            "generator": "generator-1",
            "generator_serial": "INVENTED-GEN-1",
            "exposure_counter": self._counter,
            "preset": preset,
            "receptor": RECEPTOR,
            "animal_size": "small",
            "tube_kv": TUBE_KV,
            "tube_current_ma": TUBE_CURRENT_MA,
            "set_exposure_ms": _SET_MS[preset],
            "exposure_ms": round(_SET_MS[preset] * share),
            "operator": PERSON,
        }
        exposure = ExposureEnded.model_validate(told | values, strict=False)
        self._generator.tell(
            exposure.KIND, at, exposure.model_dump(mode="json"), ExposureEnded.VERSION
        )
        return at

    def image(self, number: int, view: str, at: datetime, *, labelled: bool = True) -> str:
        """Send the image of an exposure by C-STORE; give its UID."""
        preset = preset_of(self._view(view))
        shot = Shot(
            view=view,
            true_time=at + timedelta(seconds=4),  # the demo's station runs 4 s late
            set_exposure_ms=_SET_MS[preset],
            exposure_ms=_SET_MS[preset],
            preset=preset,
            labelled=labelled,
        )
        action = {
            "shot": shot.model_dump_json(),
            "accession_number": f"INV9{number:03d}",
            "plan": PLAN,
        }
        return str(self._station.image(action)["stored"])

    def shoot(self, number: int, study: str, view: str, *, labelled: bool = True) -> str:
        """Expose and send the image, and wait until it is placed."""
        uid = self.image(number, view, self.expose(number, view), labelled=labelled)
        self.wait_for(
            study,
            lambda found: any(image.sop_instance_uid == uid for image in found.images),
            "the image on the board",
        )
        return uid

    def study(self, study: str) -> StudyAssessed | None:
        with self.store.read() as connection:
            board = study_board(connection, SITE, study)
        return board.study if board is not None else None

    def wait_for(self, study: str, holds: Any, what: str) -> StudyAssessed:
        def found() -> StudyAssessed | None:
            known = self.study(study)
            return known if known is not None and holds(known) else None

        known = wait_until(found, 60, what)
        assert known is not None
        return known

    def facts(self, kind: str, study: str) -> list[Message[Payload]]:
        """Give what people told of a study, in the order in which intake kept it."""
        with self.store.read() as connection:
            query = select(FACT.c.body).where(FACT.c.kind == kind).order_by(FACT.c.id)
            told = [parse(body) for body in connection.execute(query).scalars()]
        return [one for one in told if getattr(one.payload, "study_instance_uid", None) == study]

    def kill_console(self) -> int:
        """Kill the console's process; its supervisor starts another. Give the one killed."""
        pid = self.console_pid()
        if pid is None:
            raise AssertionError("expected a console to kill")
        os.kill(pid, signal.SIGKILL)
        return pid

    def console_pid(self) -> int | None:
        """Find the console's process among the children of the hospital's supervisor."""
        children = Path(f"/proc/{self.hospital.pid}/task/{self.hospital.pid}/children")
        for pid in children.read_text(encoding="utf-8").split():
            told = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
            if b"console" in told:
                return int(pid)
        return None

    def _view(self, code: str) -> Any:
        view = self._plans[PLAN].view(code)
        assert view is not None
        return view


class Browsing:
    """A browser's session without a browser."""

    def __init__(self, client: httpx.Client, csrf: str, person: str) -> None:
        self._client = client
        self._csrf = csrf
        self._person = person

    def get(self, address: str) -> httpx.Response:
        return self._client.get(address)

    def post(self, address: str, fields: dict[str, str]) -> httpx.Response:
        return self._client.post(address, data=fields | {"csrf": self._csrf})

    def tap(self, day: ChairsideDay, study: str, fields: dict[str, str]) -> httpx.Response:
        """Tap as the page's script does."""
        return self._client.post(
            f"{study_address(day, study)}/taps",
            data={"person": self._person} | fields,
            headers={"X-CSRF-Token": self._csrf, "HX-Request": "true"},
        )

    @contextmanager
    def events(self, address: str) -> Iterator[Iterator[str]]:
        """Listen as an open page does; give the names of the events as they come."""
        with self._client.stream("GET", address, headers={"Accept": "text/event-stream"}) as told:
            yield (
                line.removeprefix("event: ")
                for line in told.iter_lines()
                if line.startswith("event: ")
            )


@contextmanager
def signed_in(day: ChairsideDay, name: str) -> Iterator[Browsing]:
    """Sign somebody in by the form, as a browser does."""
    with httpx.Client(base_url=day.url, timeout=60) as client:
        form = client.get("/sign-in").text
        proof = re.search(r'name="csrf" value="([^"]+)"', form)
        assert proof is not None
        fields = {"csrf": proof[1], "name": name, "password": f"invented password of {name}"}
        assert client.post("/sign-in", data=fields).status_code == 303
        csrf = re.search(r'name="csrf" content="([^"]+)"', client.get(f"/sites/{SITE}").text)
        assert csrf is not None
        yield Browsing(client, csrf[1], f"{SITE}/{name}")


def study_address(day: ChairsideDay, study: str) -> str:
    return f"{day.url}/sites/{SITE}/rooms/{ROOM}/studies/{study}"
