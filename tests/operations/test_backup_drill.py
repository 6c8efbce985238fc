"""The drill: back up in the middle of work, destroy all, put it back, let it drain, count."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from demo.hospital import Hospital, running_hospital
from tests.operations.drill_room import Held, Morning, count, held_by, sums_hold, three_visits
from tests.servers.polling import wait_until

pytestmark = [pytest.mark.timeout(300), pytest.mark.drill]


@pytest.fixture(params=["one clinic", pytest.param("group", marks=pytest.mark.database)])
def carried_by(request: pytest.FixtureRequest, tmp_path: Path) -> list[dict[str, str]]:
    """Where state is kept before the loss and after it: other databases, another vhost."""
    record = {"GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"path": str(tmp_path / "the-record")})}
    if request.param == "one clinic":
        return [record, record]
    database = request.getfixturevalue("postgresql")
    broker = request.getfixturevalue("rabbitmq")
    return [
        record
        | {
            "GOMPHOSIS_STORE__URL": database.create_database(),
            "GOMPHOSIS_BUS__URL": broker.create_vhost(),
        }
        for _ in range(2)
    ]


def command(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def kill_all(pid: int) -> None:
    """End a program and all that it started, by SIGKILL."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    for one in (pid, *map(int, children)):
        os.kill(one, signal.SIGKILL)


def store_of(hospital: Hospital) -> str:
    return hospital.environment["GOMPHOSIS_STORE__URL"]


def test_nothing_acknowledged_before_a_backup_is_lost_and_nothing_is_charged_twice(
    carried_by: list[dict[str, str]], tmp_path: Path
) -> None:
    before, after = carried_by
    record, backup = tmp_path / "the-record", tmp_path / "backup"
    data = tmp_path / "data"
    data.mkdir()

    # given: two visits told and acknowledged; their effects are still on their way
    with running_hospital(data, **before) as hospital:
        with Morning(hospital) as morning:
            first, second, later = three_visits(morning.day)
            morning.visit(first)
            morning.visit(second)
            told = morning.told
            acknowledged, exposures = told.all_images, told.exposures

            # when: a backup in mid-flight, more work after it, and then everything is lost
            taken = command(hospital.environment, "backup", str(backup))
            morning.visit(later)
        kill_all(hospital.pid)
    assert taken.returncode == 0, taken.stderr
    assert "every checksum as listed" in taken.stdout
    assert sums_hold(backup), "by an own reading of the checksums"
    postings_before = held_by(record)
    shutil.rmtree(data)
    data.mkdir()
    restored = command(hospital.environment | after, "restore", str(backup))
    assert restored.returncode == 0, restored.stdout + restored.stderr

    # then: after it has drained, all that was acknowledged is there, once
    with running_hospital(data, **after) as hospital:
        url = store_of(hospital)
        wait_until(lambda: _drained(url, record, acknowledged), 60, "what waits to go out")
        facts = count(
            url, "SELECT count(*) FROM intake_fact WHERE kind IN ('exposure_ended', 'image_stored')"
        )
        files = {path.stem for path in (data / "images").rglob("*.dcm")}
        held = held_by(record)
    assert facts[0][0] == len(acknowledged) + exposures
    assert acknowledged <= files
    assert {image: held.charged[image] for image in acknowledged} == dict.fromkeys(acknowledged, 1)
    assert max(held.charged.values()) == 1
    assert len(held.keys) == len(set(held.keys))
    assert {first.study_instance_uid, second.study_instance_uid} <= held.notes
    # Work after the backup is known to the record alone; that is what reconciliation is for.
    lost = told.images[later.study_instance_uid]
    assert not lost & {
        str(row[0]) for row in count(url, "SELECT sop_instance_uid FROM intake_image")
    }
    assert set(postings_before.keys) <= set(held.keys)


def _drained(url: str, record: Path, images: set[str]) -> bool:
    waiting = count(url, "SELECT count(*) FROM runtime_outbox")[0][0]
    unposted = count(url, "SELECT count(*) FROM records_posting WHERE state = 'waiting'")[0][0]
    held: Held = held_by(record)
    return not waiting and not unposted and images <= set(held.charged)
