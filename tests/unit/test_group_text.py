"""A site or device is put into group.yaml, and what stood there stays to the letter."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.errors import InvalidInput
from services.console.operations.group_forms import device_errors, device_told, site_errors
from services.console.operations.group_forms import site_told as told_of
from services.console.operations.group_text import with_device, with_site
from tests.assessed import GROUP

DEMO = Path(__file__).parents[2] / "demo" / "group" / "group.yaml"
STATION = {
    "name": "station-9",
    "kind": "station",
    "ae_title": "NINE",
    "addresses": ["127.0.0.0/8"],
    "listens_at": {"host": "a", "port": 1},
}
SITE = {"name": "east", "title": "Östlich: 'invented' # no comment", "rooms": ["r"], "devices": []}


def lines_kept(before: str, after: str) -> bool:
    """Every line of before stands in after, in its order."""
    rest = iter(after.splitlines())
    return all(line in rest for line in before.splitlines())


@pytest.mark.parametrize(
    "text", [DEMO.read_text(), yaml.safe_dump(yaml.safe_load(DEMO.read_text()))]
)
def test_what_is_added_stands_last_and_the_rest_is_as_it_was(text: str) -> None:
    with_both = with_site(with_device(text, "bramble", STATION), SITE)

    told = yaml.safe_load(with_both)
    assert told["sites"][0]["devices"][-1] == STATION
    assert told["sites"][1] == SITE
    assert lines_kept(text, with_both)


@pytest.mark.parametrize(
    "text",
    [
        "sites:\n- name: a\n  title: t\n",
        "sites:\n- name: a\n  devices: []\n",
        "sites:\n- name: a\n  devices: [{name: x}] # one\n",
        "sites:\n- name: a\n  devices:\n  - name: x # last\n# the end",
        "sites:\n-   name: a\n    devices:\n    -   name: x\n        tags: [1,\n          2]\n\n\n",
        'sites: [{"name": "a", "devices": []}]\n',
        "sites:\n- name: a\n  devices:\n  - name: x\n    note: |\n      long\n      text\n",
    ],
)
def test_each_way_to_write_a_list_is_added_to(text: str) -> None:
    after = with_device(text, "a", STATION)

    before = yaml.safe_load(text)["sites"][0].get("devices") or []
    assert yaml.safe_load(after)["sites"][0]["devices"] == [*before, STATION]
    assert "# one" in after or "# one" not in text


@pytest.mark.parametrize("text", ["sites: [{name: a}]\n", "sites: 7\n", "[", "sites:\n- name: b\n"])
def test_what_cannot_be_added_to_is_told(text: str) -> None:
    with pytest.raises(InvalidInput):
        with_device(text, "a", STATION)


def test_a_device_of_a_form_is_read_by_the_contract_with_errors_by_field() -> None:
    form = {
        "kind": "station",
        "name": "Station 2",
        "room": "dental-9",
        "ae_title": "A TITLE WITH BLANKS",
        "listens_port": "many",
        "addresses": "here, 10.0.0.0/8",
        "total_filtration_mm_al": "-2",
    }

    errors = device_errors(device_told(form, None), GROUP.site("north"))

    assert set(errors) == {
        "name",
        "room",
        "ae_title",
        "addresses",
        "listens_host",
        "listens_port",
        "total_filtration_mm_al",
        "anode_angle_degrees",
        "source_to_skin_mm",
    }


def test_a_device_that_holds_has_no_errors_and_only_what_was_told() -> None:
    form = {
        "kind": "generator",
        "name": "generator-2",
        "room": "dental-1",
        "serial": "INVENTED-2",
        "total_filtration_mm_al": "2.0",
        "anode_angle_degrees": "16",
        "source_to_skin_mm": "200",
        "field_diameter_mm": "60",
        "ae_title": " ",
    }

    told = device_told(form, "a" * 64)

    assert device_errors(told, GROUP.site("north")) == {}
    assert told["tube"]["anode_angle_degrees"] == 16
    assert set(told) == {"kind", "name", "room", "serial", "tube", "token_sha256"}
    json.dumps(told)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"name": "north"}, "name"),
        ({"rooms": ""}, "rooms"),
        ({"time_zone": "Europe/Nowhere"}, "time_zone"),
        ({"title": ""}, "title"),
    ],
)
def test_a_site_of_a_form_names_the_field_that_is_wrong(change: dict[str, Any], field: str) -> None:
    form = {
        "name": "east",
        "title": "Invented East",
        "time_zone": "Europe/Vienna",
        "called_ae_title": "EAST",
        "rooms": "dental-1, dental-2",
        "tariff": "invented-2026",
    }
    assert site_errors(told_of(form), GROUP) == {}

    assert set(site_errors(told_of(form | change), GROUP)) == {field}
