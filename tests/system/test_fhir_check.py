"""``gomphosis check`` asks the record's FHIR server what it can do, and says what is missing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from fhir.resources.R4B.capabilitystatement import CapabilityStatement

from schemas.group import Group
from services.intake.checks import check_intake
from services.intake.fhir_capability import NEEDS, wanting
from services.intake.fhir_reading import READ_TYPES
from services.runtime.checks import Verdict
from services.runtime.settings import load_settings
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.fhir_server import capability
from tests.record_inputs.fhir_server_process import Server
from tests.servers.ports import free_port


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    with Server(tmp_path / "record").running() as made:
        yield made


def settings_for(folder: Path, base_url: str, **further: str) -> dict[str, str]:
    """Write the group and its codes, and give the settings as variables."""
    write_codes(folder)
    (folder / "group" / "group.yaml").write_text(yaml.safe_dump(record_group()), encoding="utf-8")
    return {
        "GOMPHOSIS_DATA_DIR": str(folder / "data"),
        "GOMPHOSIS_GROUP_DIR": str(folder / "group"),
        "GOMPHOSIS_INTAKE__FHIR__BASE_URL": base_url,
        "GOMPHOSIS_INTAKE__FHIR__SITE": "north",
        "GOMPHOSIS_INTAKE__FHIR__DEVICE": "record-north",
        **further,
    }


def verdict(folder: Path, base_url: str, **further: str) -> Verdict:
    """Ask as the command does, and give what it says of the server."""
    group = Group.model_validate_json(json.dumps(record_group()))
    with pytest.MonkeyPatch.context() as patch:
        for name, value in settings_for(folder, base_url, **further).items():
            patch.setenv(name, value)
        (found,) = check_intake(load_settings(), group)
    assert found.name == "FHIR server"
    return found


def test_a_server_that_can_all_we_ask_is_good_and_named(tmp_path: Path, server: Server) -> None:
    server.control(token="invented-token")
    told = settings_for(
        tmp_path, f"{server.url}/fhir", GOMPHOSIS_INTAKE__FHIR__TOKEN="invented-token"
    )

    run = subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", "check", "--json"],
        env={"PATH": os.environ["PATH"]} | told,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        timeout=60,
        check=False,
    )

    assert run.returncode == 4  # the store of this folder was never migrated
    (found,) = [one for one in json.loads(run.stdout) if one["name"] == "FHIR server"]
    assert found["good"], found
    assert found["words"] == "Invented stand-in record 1, FHIR 4.0.1, all that we ask"
    (asked,) = server.requests()
    assert asked["path"] == "/fhir/metadata"


def test_what_the_server_lacks_is_said(tmp_path: Path, server: Server) -> None:
    statement = capability() | {"fhirVersion": "5.0.0"}
    observation = statement["rest"][0]["resource"][-1]
    observation["searchParam"] = [{"name": "code"}, {"name": "patient"}]
    server.control(faults=[{"body": statement}])

    told = verdict(tmp_path, f"{server.url}/fhir")

    assert not told.good
    for words in (
        "fhirVersion 5.0.0: expected 4.0.x or 4.3.x",
        "Observation: expected the search parameter _lastUpdated",
        "Observation: expected the search parameter date",
    ):
        assert words in told.words


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"status": 401}, "it answers 401"),
        ({"status": 404}, "expected a CapabilityStatement at"),
        ({"body": {"resourceType": "Bundle"}}, "got Bundle"),
        ({"body": ["no resource"]}, "no FHIR resource"),
        (
            {"body": {"resourceType": "CapabilityStatement", "rest": "all"}},
            "CapabilityStatement.rest",
        ),
    ],
)
def test_an_answer_that_is_no_statement_is_one_bad_verdict(
    tmp_path: Path, server: Server, fault: dict[str, Any], words: str
) -> None:
    server.control(faults=[fault])

    told = verdict(tmp_path, f"{server.url}/fhir")

    assert not told.good
    assert words in told.words


def test_a_server_that_is_not_reached_or_not_named_in_the_group_is_a_bad_verdict(
    tmp_path: Path,
) -> None:
    address = f"http://127.0.0.1:{free_port()}/fhir"

    assert "not reached" in verdict(tmp_path, address).words
    unknown = verdict(tmp_path, address, GOMPHOSIS_INTAKE__FHIR__DEVICE="record-south")
    assert "expected a device of kind record" in unknown.words


def without(statement: dict[str, Any], kind: str, element: str, name: str) -> dict[str, Any]:
    for resource in statement["rest"][0]["resource"]:
        if resource["type"] == kind:
            told = resource[element]
            resource[element] = [
                one for one in told if name not in {one.get("code"), one.get("name")}
            ]
    return statement


def test_every_need_is_missed_where_it_is_not_listed() -> None:
    # The stand-in's statement is none of our own invention: HL7's model takes it.
    assert CapabilityStatement.model_validate(capability())
    assert set(READ_TYPES) <= set(NEEDS)
    assert list(wanting(capability(), weights=True)) == []
    for kind, (interactions, parameters) in NEEDS.items():
        for code in interactions:
            statement = without(capability(), kind, "interaction", code)
            (words,) = wanting(statement, weights=True)
            assert words == f"{kind}: expected the interaction {code}"
        for name in parameters:
            statement = without(capability(), kind, "searchParam", name)
            (words,) = wanting(statement, weights=True)
            assert words == f"{kind}: expected the search parameter {name}"


@pytest.mark.parametrize(
    ("version", "is_ours"),
    [
        ("4.0.0", True),
        ("4.0.1", True),
        ("4.3.0", True),
        ("4.1.0", False),  # a ballot of R4B
        ("4.6.0", False),  # a ballot of R5
        ("3.0.2", False),
        ("4.0", False),
        ("4.0.1-snapshot", False),
    ],
)
def test_r4_and_r4b_are_taken_and_nothing_else(version: str, is_ours: bool) -> None:
    statement = capability() | {"fhirVersion": version}

    assert (list(wanting(statement, weights=True)) == []) is is_ours


def test_a_parameter_listed_for_all_resources_counts_for_each() -> None:
    statement = capability()
    for kind in NEEDS:
        without(statement, kind, "searchParam", "_lastUpdated")
    statement["rest"][0]["searchParam"] = [{"name": "_lastUpdated", "type": "date"}]

    assert CapabilityStatement.model_validate(statement)
    assert list(wanting(statement, weights=True)) == []


def test_without_weight_codes_no_observations_are_wanted() -> None:
    statement = capability()
    del statement["rest"][0]["resource"][-1]

    assert list(wanting(statement, weights=False)) == []
    assert list(wanting(statement, weights=True)) == [
        "Observation: expected it among the resources"
    ]
