"""A new group.yaml is in force at once where it holds; where it does not, the old one stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.errors import InvalidInput
from schemas.group import Group
from services.runtime.live_group import GroupWatch
from tests.intake_support import GROUP


def write(folder: Path, group: dict[str, Any]) -> None:
    (folder / "group.yaml").write_text(yaml.safe_dump(group), encoding="utf-8")


def with_sites(*names: str) -> dict[str, Any]:
    added = [
        GROUP["sites"][1] | {"name": name, "called_ae_title": name.upper(), "devices": []}
        for name in names
    ]
    return GROUP | {"sites": [*GROUP["sites"], *added]}


@pytest.fixture
def watch(tmp_path: Path) -> GroupWatch:
    write(tmp_path, GROUP)
    return GroupWatch(tmp_path)


def test_whoever_keeps_the_group_sees_the_new_one(watch: GroupWatch, tmp_path: Path) -> None:
    kept: Group = watch.group
    before = watch.now.sha256

    write(tmp_path, with_sites("east"))
    watch.look()

    assert [site.name for site in kept.sites] == ["north", "south", "east"]
    assert kept.site("east").called_ae_title == "EAST"
    assert watch.now.sha256 != before
    assert watch.now.refused is None


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("sites: [", "group.yaml"),
        (yaml.safe_dump(GROUP | {"sites": []}), "sites"),
        (yaml.safe_dump(GROUP | {"name": "other"}), "invented-group; another name"),
        (yaml.safe_dump(GROUP | {"sites": GROUP["sites"][:1]}), "south among them"),
    ],
)
def test_a_file_that_does_not_hold_changes_nothing_and_is_told(
    watch: GroupWatch, tmp_path: Path, content: str, told: str
) -> None:
    before = watch.group.model_dump()
    (tmp_path / "group.yaml").write_text(content)

    watch.look()

    assert watch.group.model_dump() == before
    assert told in str(watch.now.refused)


def test_a_file_that_is_put_back_is_good_again(watch: GroupWatch, tmp_path: Path) -> None:
    (tmp_path / "group.yaml").write_text("sites: [")
    watch.look()
    (tmp_path / "group.yaml").unlink()
    watch.look()
    assert "a file that can be read" in str(watch.now.refused)

    write(tmp_path, GROUP)
    watch.look()

    assert watch.now.refused is None


def test_nothing_is_taken_up_where_one_part_is_not_ready(watch: GroupWatch, tmp_path: Path) -> None:
    taken: list[str] = []

    def ready(new: Group) -> Callable[[], None]:
        return lambda: taken.append(new.sites[-1].name)

    def not_ready(new: Group) -> Callable[[], None]:
        raise InvalidInput("sites.east.tariff", "invented", "one whose file is there")

    watch.when_changed(ready)
    write(tmp_path, with_sites("east"))
    watch.look()
    assert taken == ["east"]

    watch.when_changed(not_ready)
    write(tmp_path, with_sites("east", "west"))
    watch.look()
    assert [site.name for site in watch.group.sites] == ["north", "south", "east"]
    assert taken == ["east"]
    assert "one whose file is there" in str(watch.now.refused)
