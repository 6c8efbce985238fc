"""Watched folders and files are looked at in turn, and trouble with one delays that one alone."""

from __future__ import annotations

from pathlib import Path
from threading import Event, Thread

import pytest

from schemas.errors import InvalidInput
from schemas.group import Group
from services.intake.watch import Watcher, find_generator, mapping_path
from services.runtime.settings import IntakeSettings, Settings
from services.runtime.store import StoreUnavailable
from tests.servers.polling import wait_until

GROUP = Group.model_validate_json(
    """{"name": "g", "title": "Invented", "sites": [
        {"name": "north", "title": "Invented", "time_zone": "UTC", "called_ae_title": "N",
         "rooms": ["r"], "tariff": "t", "devices": [
            {"name": "gen", "kind": "generator", "room": "r"},
            {"name": "only-north", "kind": "generator", "room": "r"},
            {"name": "station", "kind": "station", "room": "r"}]},
        {"name": "south", "title": "Invented", "time_zone": "UTC", "called_ae_title": "S",
         "rooms": ["r"], "tariff": "t", "devices": [
            {"name": "gen", "kind": "generator", "room": "r"}]}]}"""
)


class Looked:
    """Counts looks; fails at the first ``failures`` of them."""

    def __init__(self, failures: int, error: Exception) -> None:
        self.path = Path("invented")
        self.looks = 0
        self._failures = failures
        self._error = error

    def look(self, stop: Event) -> None:
        self.looks += 1
        if self.looks <= self._failures:
            raise self._error


@pytest.mark.parametrize("error", [FileNotFoundError("gone"), StoreUnavailable("away")])
def test_a_source_in_trouble_is_looked_at_less_often_and_the_others_go_on(
    error: Exception,
) -> None:
    # given
    bad, good, stop = Looked(10**9, error), Looked(0, error), Event()
    watching = Thread(target=Watcher([bad, good], 0.001).run, args=(stop,))

    # when
    watching.start()
    wait_until(lambda: good.looks >= 40, 30, "the good one to be looked at often")
    stop.set()
    watching.join()

    # then: after each failure twice as many rests, so at looks 1, 3, 7, 15, 31, ...
    assert 4 <= bad.looks < good.looks / 4


def test_a_source_that_is_well_again_is_looked_at_each_time() -> None:
    ill, well, stop = Looked(3, OSError("away")), Looked(0, OSError()), Event()
    watching = Thread(target=Watcher([ill, well], 0.001).run, args=(stop,))

    watching.start()
    wait_until(lambda: ill.looks >= 50, 30, "the one that was ill to be looked at often")
    stop.set()
    watching.join()

    # Three failures rest 1, 3 and 7 times; the last round may have ended between the two.
    assert well.looks - ill.looks in {10, 11}


def test_a_generator_is_found_by_name_and_where_needed_by_site() -> None:
    assert find_generator(GROUP, "only-north", None)[0].name == "north"
    assert find_generator(GROUP, "gen", "south")[0].name == "south"


@pytest.mark.parametrize(
    ("name", "site", "told"),
    [
        ("gen", None, "the site, since several"),
        ("station", None, "a generator of group.yaml: gen, only-north, gen"),
        ("only-north", "south", "a generator of group.yaml: gen"),
        ("gen", "west", "one of north, south"),
    ],
)
def test_a_device_that_is_not_one_generator_is_refused(
    name: str, site: str | None, told: str
) -> None:
    with pytest.raises(InvalidInput, match=told):
        find_generator(GROUP, name, site)


def test_a_relative_mapping_lies_with_the_rules_of_the_group() -> None:
    settings = Settings(group_dir=Path("/group"))

    assert mapping_path(settings, Path("mine.yaml")) == Path("/group/mappings/mine.yaml")
    assert mapping_path(settings, Path("/else/mine.yaml")) == Path("/else/mine.yaml")


@pytest.mark.parametrize("paths", [{}, {"file": "a", "folder": "b"}])
def test_what_is_watched_is_one_folder_or_one_file(paths: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="a folder or a file"):
        IntakeSettings.model_validate(
            {"watched": [{"device": "gen", "mapping": "mine.yaml", **paths}]}
        )
