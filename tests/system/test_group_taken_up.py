"""A station that is added to group.yaml is let in by the running DICOM node, and no other."""

from __future__ import annotations

import json
from pathlib import Path
from urllib.request import urlopen

import yaml

from tests.intake_process import IntakeProcess
from tests.intake_support import GROUP, association
from tests.servers.polling import wait_until

STATION = {
    "name": "station-new",
    "kind": "station",
    "room": "dental-1",
    "ae_title": "STATIONNEW",
    "addresses": ["127.0.0.0/8"],
}


VERIFICATION = "1.2.840.10008.1.1"


def accepted(port: int) -> bool:
    with association(port, VERIFICATION, calling="STATIONNEW") as one:
        return one.is_established and bool(one.send_c_echo().Status == 0)


def test_a_running_node_takes_up_a_station_and_keeps_it_when_the_file_breaks(
    tmp_path: Path,
) -> None:
    # given: two processes accept from the port, and each has to take it up
    intake = IntakeProcess(tmp_path, GOMPHOSIS_INTAKE__DICOM_PROCESSES="2")
    file = intake.settings.group_dir / "group.yaml"
    intake.start()
    try:
        assert not accepted(intake.dicom_port)

        # when: the file changes under the running process
        north = GROUP["sites"][0] | {"devices": [*GROUP["sites"][0]["devices"], STATION]}
        file.write_text(yaml.safe_dump(GROUP | {"sites": [north, *GROUP["sites"][1:]]}))

        # then
        wait_until(
            lambda: all(accepted(intake.dicom_port) for _ in range(4)),
            30,
            "the new station to be let in",
        )

        # when: it breaks
        file.write_text("name: [")

        # then: that is told, and the station is let in as before
        def refused() -> bool:
            with urlopen(f"http://127.0.0.1:{intake.health_port}/about", timeout=5) as answer:
                return "group.yaml" in str(json.load(answer)["group"]["refused"])

        wait_until(refused, 30, "the refusal to be told")
        assert accepted(intake.dicom_port)
    finally:
        intake.close()
