"""``gomphosis try-mapping`` and ``gomphosis sensors``, as an admin meets them."""

from __future__ import annotations

import copy
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import ExposureEnded, ImageStored, SensorHanded, SensorTested
from schemas.messages import read_payload
from services.intake.accept import accept
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.device_text import HEADER, clock_line, exposure_line
from tests.intake_support import GROUP
from tests.newest_schema import bring_to_newest

REPOSITORY = Path(__file__).parents[2]
EXAMPLE = REPOSITORY / "schemas" / "mappings" / "invented_generator.yaml"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    group = copy.deepcopy(GROUP)
    group["sites"][0]["sensors"] = [
        {"name": "sensor-a", "room": "dental-1", "detector_id": "INV-A", "test_every_days": 30},
    ]
    (tmp_path / "group").mkdir()
    (tmp_path / "group" / "group.yaml").write_text(yaml.safe_dump(group), encoding="utf-8")
    own = {
        "GOMPHOSIS_DATA_DIR": str(tmp_path / "data"),
        "GOMPHOSIS_GROUP_DIR": str(tmp_path / "group"),
        "COLUMNS": "220",
    }
    return dict(os.environ) | own


def gomphosis(
    environment: dict[str, str], *arguments: str | Path
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", *map(str, arguments)],
        env=environment,
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )


def test_a_dry_run_shows_what_each_line_would_become_and_keeps_nothing(
    environment: dict[str, str], tmp_path: Path
) -> None:
    # given
    file = tmp_path / "sample.txt"
    good = [f"{HEADER};Mood", f"{exposure_line(run_s='0,061')};x", f"{clock_line()};x"]
    file.write_text("\n".join(["# log", *good]) + "\n", encoding="utf-8")

    # when
    shown = gomphosis(environment, "try-mapping", EXAMPLE, file)

    # then
    assert shown.returncode == 0, shown.stderr
    assert "exposure 4711 at 2026-03-02 09:20:00 UTC" in shown.stdout
    assert "61 of 120 ms" in shown.stdout
    assert "the device showed 09:21:00 UTC" in shown.stdout
    assert "does not know: Mood" in shown.stdout
    assert not (tmp_path / "data").exists()


def test_a_dry_run_says_why_a_line_is_refused(environment: dict[str, str], tmp_path: Path) -> None:
    file = tmp_path / "sample.txt"
    file.write_text("\n".join([HEADER, exposure_line(program="P9"), exposure_line()]))

    told = gomphosis(environment, "try-mapping", EXAMPLE, file, "--json", "--device", "generator-1")

    assert told.returncode == 4
    shown = json.loads(told.stdout)
    assert shown["counts"] == {"header": 1, "refused": 1, "fact": 1}
    refused = shown["lines"][1]
    assert (refused["line"], refused["field"], refused["value"]) == (2, "column Program", "'P9'")
    assert "codes P1, P2, P3, P4" in refused["expected"]
    assert shown["lines"][2]["payload"]["tube_current_ma"] == 7.0


def test_a_dry_run_shows_no_more_than_asked_and_names_what_is_wrong_with_a_mapping(
    environment: dict[str, str], tmp_path: Path
) -> None:
    file, broken = tmp_path / "sample.txt", tmp_path / "broken.yaml"
    file.write_text("\n".join([HEADER, *(exposure_line(n) for n in range(9))]))
    broken.write_text("name: mine\n")

    few = gomphosis(environment, "try-mapping", EXAMPLE, file, "--json", "--limit", "3")
    wrong = gomphosis(environment, "try-mapping", broken, file)

    assert len(json.loads(few.stdout)["lines"]) == 3
    assert wrong.returncode == 1
    assert "broken.yaml: basis" in wrong.stderr


def fact(kind: type[Payload], minute: int, **changes: Any) -> Message[Payload]:
    at = datetime(2026, 3, 2, 9, minute, tzinfo=UTC)
    told = json.loads(json.dumps(kind.EXAMPLES[0] | changes))
    return Message(
        id=new_id(),
        group="invented-group",
        site="north",
        occurred_at=at,
        received_at=at,
        source=Source(kind="person", name="tech-1"),
        correlation_id="test-1",
        payload=read_payload(kind.KIND, kind.VERSION, told),
    )


def test_the_sensors_of_a_site_are_shown_from_the_facts_that_intake_has_kept(
    environment: dict[str, str], tmp_path: Path
) -> None:
    # given
    settings = Settings(data_dir=tmp_path / "data", group_dir=tmp_path / "group")
    store = Store(settings.store_url)
    bring_to_newest(store)
    with store.begin() as connection:
        accept(
            connection,
            "intake",
            [
                fact(SensorTested, 0),
                fact(ImageStored, 1, sensor="sensor-a"),
                fact(ImageStored, 2, sop_instance_uid="2.25.2"),
                fact(ExposureEnded, 1, sensor="sensor-a"),
                fact(SensorHanded, 3),
            ],
        )
    store.close()

    # when
    told = gomphosis(environment, "sensors", "--site", "north", "--json")
    shown = gomphosis(environment, "sensors")
    nowhere = gomphosis(environment, "sensors", "--site", "nowhere")

    # then
    (sensor,) = json.loads(told.stdout)
    assert (sensor["sensor"], sensor["exposures"], sensor["images"]) == ("sensor-a", 1, 1)
    assert (sensor["patients"], sensor["covers"], sensor["room"]) == (1, 0, "dental-2")
    assert sensor["test_due"] == "2026-04-01"
    assert sensor["last_test"]["at"] == "2026-03-02T09:00:00+00:00"
    assert "1 study with no new cover told" in sensor["words"]
    assert "sensor-a" in shown.stdout
    assert "2026-04-01" in shown.stdout
    assert nowhere.returncode == 1
    assert "one of north, south" in nowhere.stderr
