"""An exposure is one fact, by whatever ways and however often a generator tells it."""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pika
import pytest
from sqlalchemy import func, select

from schemas.envelope import new_id
from schemas.facts import ExposureEnded
from schemas.mappings import load_mapping
from services.intake.device_lines import Told, read_line
from services.intake.store import FACT
from tests.device_text import HEADER, clock_line, exposure_line
from tests.intake_support import GROUP, TOKENS, Intake, make_image, running_intake, send
from tests.servers.polling import wait_until

SECOND_TOKEN = "invented-token-second-generator"
SHOTS = [(1, "0,120"), (2, "0,061"), (3, "0,120")]


@pytest.fixture
def group() -> dict[str, Any]:
    """The invented group with a second generator and two sensors."""
    made = copy.deepcopy(GROUP)
    made["sites"][0]["devices"].append(
        {
            "name": "generator-2",
            "kind": "generator",
            "room": "dental-2",
            "serial": "INVENTED-0002",
            "token_sha256": hashlib.sha256(SECOND_TOKEN.encode()).hexdigest(),
        }
    )
    made["sites"][0]["sensors"] = [{"name": "sensor-a", "detector_id": "INV-A"}]
    return made


def lines() -> list[str]:
    """Exposures as the generator writes them; the second ran half its time, and says nothing."""
    return [exposure_line(n, time=f"10:2{n}:00", run_s=run_s) for n, run_s in SHOTS]


def offers() -> list[dict[str, Any]]:
    """The same exposures as the generator tells them itself, without saying which ended early."""
    told = []
    for line in lines():
        read = read_line(load_mapping(), line.encode(), tuple(HEADER.split(";")))
        assert isinstance(read, Told)
        payload = read.payload.model_dump(mode="json")
        del payload["ended_early"]
        told.append(
            {
                "kind": "exposure_ended",
                "occurred_at": read.occurred_at.isoformat(),
                "payload": payload,
            }
        )
    return told


def post(intake: Intake, body: Any, token: str = TOKENS["generator-1"]) -> httpx.Response:
    return httpx.post(
        intake.facts_url,
        content=json.dumps(body).encode(),
        headers={"Authorization": f"Bearer {token}"},
        timeout=60,
    )


def publish(amqp_url: str, told: list[dict[str, Any]]) -> None:
    """Publish offers as a device on AMQP does, with confirms."""
    connection = pika.BlockingConnection(pika.URLParameters(amqp_url))
    channel = connection.channel()
    channel.confirm_delivery()
    for offer in told:
        identity = str(new_id())
        envelope = offer | {
            "id": identity,
            "schema_version": ExposureEnded.VERSION,
            "group": "invented-group",
            "site": "north",
            "received_at": datetime.now(UTC).isoformat(),
            "source": {"kind": "device", "name": "generator-1"},
            "correlation_id": identity,
        }
        channel.basic_publish(
            "gomphosis.offers",
            "exposure_ended.invented-group.north",
            json.dumps(envelope).encode(),
            pika.BasicProperties(message_id=identity, delivery_mode=2),
            mandatory=True,
        )
    connection.close()


@contextmanager
def watching_intake(tmp_path: Path, group: dict[str, Any], bus_url: str = "") -> Iterator[Intake]:
    mappings = tmp_path / "data" / "group" / "mappings"
    mappings.mkdir(parents=True)
    example = Path(__file__).parents[2] / "schemas" / "mappings" / "invented_generator.yaml"
    (mappings / "mine.yaml").write_text(example.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "drops").mkdir()
    watched = [
        {"device": "generator-1", "mapping": "mine.yaml", "file": str(tmp_path / "device.log")},
        {"device": "generator-1", "mapping": "mine.yaml", "folder": str(tmp_path / "drops")},
    ]
    with running_intake(
        tmp_path / "data",
        worker=True,
        group=group,
        bus_url=bus_url,
        watched=watched,
        watch_poll_s=0.05,
    ) as intake:
        yield intake


def count(intake: Intake) -> int:
    with intake.runtime.store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(FACT)) or 0)


@pytest.mark.parametrize("first", ["http", "amqp", "file", "folder"])
def test_exposures_told_by_every_way_are_one_fact_each(
    tmp_path: Path, group: dict[str, Any], amqp_url: str, first: str
) -> None:
    with watching_intake(tmp_path, group, amqp_url) as intake:
        text = "\n".join([HEADER, *lines(), clock_line("2026-03-02T09:23:02Z")]) + "\n"
        folder = tmp_path / "drops"

        def drop() -> None:
            (folder / "day.csv.part").write_text(text)
            (folder / "day.csv.part").rename(folder / "day.csv")

        ways = {
            "http": lambda: post(intake, offers()),
            "amqp": lambda: publish(amqp_url, offers()),
            "file": lambda: (tmp_path / "device.log").write_text(text),
            "folder": drop,
        }

        # when: by one way first, then by all, and by HTTP twice
        ways[first]()
        wait_until(lambda: count(intake) >= 3, 30, f"the exposures by {first}")
        for way in ways.values():
            way()
        answer = post(intake, offers())

        # then
        assert {one["outcome"] for one in answer.json()} == {"already_known"}
        wait_until((folder / "taken" / "day.csv").exists, 30, "the file to be taken")
        wait_until(lambda: intake.runtime.bus.depth("intake") == 0, 30, "the offers to be taken")
        wait_until(lambda: len(intake.facts("clock_read")) == 1, 30, "the clock reading")
        exposures = intake.facts("exposure_ended")
        assert [fact.natural_key for fact in exposures] == [
            f"exposure:INVENTED-0001:{n}:2026-03-02T09:2{n}:00+00:00" for n, _ in SHOTS
        ]
        assert [getattr(one.payload, "ended_early", None) for one in exposures] == [
            False,
            True,
            False,
        ]
        assert len(intake.outbox()) == 4
        assert intake.triage() == []


def test_a_batch_of_a_thousand_exposures_is_kept_and_known_again(
    tmp_path: Path, group: dict[str, Any]
) -> None:
    # given
    at = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    batch = [
        {
            "kind": "exposure_ended",
            "occurred_at": (at + timedelta(seconds=number)).isoformat(),
            "payload": ExposureEnded.EXAMPLES[0] | {"exposure_counter": number},
        }
        for number in range(1_000)
    ]
    with running_intake(tmp_path / "data", group=group) as intake:
        # when
        first, again = post(intake, batch), post(intake, batch)

        # then
        assert (first.status_code, again.status_code) == (200, 200)
        assert [one["outcome"] for one in first.json()] == ["accepted"] * 1_000
        assert [one["outcome"] for one in again.json()] == ["already_known"] * 1_000
        assert len(intake.facts()) == len(intake.outbox()) == 1_000


def test_one_more_than_the_most_in_a_body_is_refused_whole(
    tmp_path: Path, group: dict[str, Any]
) -> None:
    with running_intake(tmp_path / "data", group=group, max_facts_in_body=2) as intake:
        answer = post(intake, offers())

        assert answer.status_code == 400
        assert answer.json()[0]["expected"] == "at most 2"
        assert intake.facts() == []


def test_a_generator_tells_its_own_exposures_by_its_own_token(
    tmp_path: Path, group: dict[str, Any]
) -> None:
    with running_intake(tmp_path / "data", group=group) as intake:
        foreign = post(intake, offers(), SECOND_TOKEN)
        own = offers()
        for offer in own:
            offer["payload"] |= {
                "room": "dental-2",
                "generator": "generator-2",
                "generator_serial": "INVENTED-0002",
            }
        mixed = post(intake, [*own, *offers()], SECOND_TOKEN)

        assert foreign.status_code == 403
        assert mixed.status_code == 207
        assert [one["outcome"] for one in mixed.json()] == ["accepted"] * 3 + ["rejected"] * 3
        assert {fact.source.name for fact in intake.facts()} == {"generator-2"}


def test_the_detector_id_of_an_image_names_its_sensor(
    tmp_path: Path, group: dict[str, Any]
) -> None:
    with running_intake(tmp_path / "data", group=group) as intake:
        for number, detector in enumerate(("INV-A", "INV-UNLISTED")):
            image = make_image(number, DetectorID=detector, DeviceSerialNumber="INVENTED-S1")
            assert send(intake.dicom_port, image).Status == 0x0000

        told = [fact.payload.model_dump() for fact in intake.facts("image_stored")]
        assert [(one["sensor"], one["detector_id"], one["device_serial"]) for one in told] == [
            ("sensor-a", "INV-A", "INVENTED-S1"),
            (None, "INV-UNLISTED", "INVENTED-S1"),
        ]


def test_an_exchanged_generator_still_tells_its_exposures(
    tmp_path: Path, group: dict[str, Any]
) -> None:
    with running_intake(tmp_path / "data", group=group) as intake:
        exchanged = offers()
        for offer in exchanged:
            offer["payload"]["generator_serial"] = "INVENTED-0099"

        assert post(intake, exchanged).status_code == 200

        told = [fact.payload.model_dump() for fact in intake.facts("exposure_ended")]
        assert {(one["generator"], one["generator_serial"]) for one in told} == {
            ("generator-1", "INVENTED-0099")
        }
