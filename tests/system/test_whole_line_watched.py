"""All services started: the console sees each of them, and one that is killed, as it is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from services.console.operations.first_run import check_all
from services.console.operations.lookout import Lookout
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.live_group import GroupWatch
from services.runtime.service import service_names
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.console_support import TOKEN, invented_group
from tests.servers.polling import wait_until
from tests.servers.ports import free_port
from tests.servers.private import plain_environment

ROOT = Path(__file__).parents[2]


def start(
    service: str, environment: dict[str, str], port: int, log: Path
) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "services.runtime.cli.main", "start", service]
    with log.open("ab") as opened:
        return subprocess.Popen(
            [*command, "--health-port", str(port)],
            env=environment,
            cwd=ROOT,
            stdout=opened,
            stderr=opened,
        )


@pytest.mark.timeout(500)
def test_each_service_tells_its_version_group_and_checks_and_one_that_is_killed_is_missed(
    tmp_path: Path,
) -> None:
    # given
    group_dir, data_dir = tmp_path / "group", tmp_path / "data"
    group_dir.mkdir()
    (group_dir / "group.yaml").write_text(yaml.safe_dump(invented_group()))
    ports = {name: free_port() for name in service_names()}
    urls = {name: f"http://127.0.0.1:{port}" for name, port in ports.items()}
    told: dict[str, Any] = {
        "GOMPHOSIS_DATA_DIR": str(data_dir),
        "GOMPHOSIS_GROUP_DIR": str(group_dir),
        "GOMPHOSIS_INTAKE__DICOM_PORT": str(free_port()),
        "GOMPHOSIS_INTAKE__HTTP_PORT": str(free_port()),
        "GOMPHOSIS_CONSOLE__PORT": str(free_port()),
        "GOMPHOSIS_CONSOLE__TOKEN": TOKEN,
        "GOMPHOSIS_CONSOLE__SERVICE_URLS": json.dumps(urls),
        "GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"path": str(tmp_path / "record")}),
    }
    environment = plain_environment() | told
    subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", "migrate"],
        env=environment,
        cwd=ROOT,
        check=True,
        timeout=200,
    )
    log = tmp_path / "log"
    running = {name: start(name, environment, port, log) for name, port in ports.items()}
    settings = Settings.model_validate(
        {
            "data_dir": data_dir,
            "group_dir": group_dir,
            "console": {
                "token": TOKEN,
                "service_urls": urls,
                "intake_url": f"http://127.0.0.1:{told['GOMPHOSIS_INTAKE__HTTP_PORT']}",
            },
        }
    )
    store = Store(settings.store_url)
    bus = open_bus(settings.bus_url, BusLimits(), "gomphosis-test")
    lookout = Lookout(settings, store, bus)
    try:
        wait_until(
            lambda: all(one.ready for one in lookout.look().services),
            300,
            f"every service to be ready; see {log}",
        )

        # then: each says what it is, and what its peers say
        services = lookout.look().services
        assert {one.service for one in services} == set(service_names())
        assert {one.version for one in services} == {services[0].version}
        watch = GroupWatch(group_dir)
        assert {one.group["sha256"] for one in services} == {watch.now.sha256}
        assert all(abs(one.clock_ahead_s or 0.0) < 60 for one in services)
        checked = {one.part: one for one in check_all(settings, watch.group, urls)}
        assert checked["console"].good, checked["console"]
        assert checked["intake"].good, checked["intake"]
        assert any("record" in one.name for one in checked["records"].verdicts)

        # when one of them is killed
        os.kill(running["charges"].pid, signal.SIGKILL)
        running["charges"].wait(60)
        look = lookout.look()

        # then
        assert [one.service for one in look.services if not one.alive] == ["charges"]
        assert set(lookout.seen().service_away_since) == {"charges"}
    finally:
        for process in running.values():
            process.terminate()
        for process in running.values():
            process.wait(60)
        bus.close()
        store.close()
