"""A file dropped into a watched folder is read once and put away, on both stores."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from services.intake.tail_store import TAIL
from services.intake.watched_folder import WatchedFolder
from tests.device_text import HEADER, exposure_line
from tests.watched import NEVER, Desk, opened_desk, shot


@pytest.fixture
def desk(database_url: str, tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(database_url, tmp_path) as made:
        yield made


def test_a_dropped_file_is_read_once_and_moved_away(desk: Desk) -> None:
    # given: no end to its last line
    (desk.drops / "day.csv").write_text(f"{HEADER}\n{shot(1)}\n{shot(2)}")

    # when
    desk.take()
    desk.take()

    # then
    assert desk.shots() == [1, 2]
    assert desk.names("taken") == ["day.csv"]
    assert [one.name for one in desk.drops.iterdir()] == ["taken"]
    with desk.store.read() as connection:
        assert connection.execute(select(TAIL)).all() == []


def test_the_same_file_again_makes_no_fact_and_takes_a_name_of_its_own(desk: Desk) -> None:
    for _ in range(2):
        (desk.drops / "day.csv").write_text(f"{HEADER}\n{shot(1)}\n")
        desk.take()

    assert desk.shots() == [1]
    assert desk.sent() == 1
    assert desk.names("taken") == ["day.csv", "day~2.csv"]


def test_a_file_with_a_bad_line_is_taken_and_the_line_is_in_triage(desk: Desk) -> None:
    (desk.drops / "day.csv").write_text(f"{HEADER}\nnonsense\n{shot(2)}\n")

    desk.take()

    assert desk.shots() == [2]
    assert desk.names("taken") == ["day.csv"]
    assert [entry.field for entry in desk.triage()] == ["line"]


@pytest.mark.parametrize(
    "content",
    [
        b"Event;Date\nEXP;1\n",
        HEADER.encode("utf-16"),
        f"{shot(1)}\n".encode(),
        b"\x00" * 100,
    ],
    ids=["columns missing", "utf-16", "no header", "no text"],
)
def test_a_file_that_cannot_be_read_at_all_is_rejected_with_its_reason(
    desk: Desk, content: bytes
) -> None:
    (desk.drops / "day.csv").write_bytes(content)

    desk.take()

    assert desk.facts() == []
    assert len(desk.triage()) == 1
    taken = desk.names("taken") + desk.names("rejected")
    assert taken == ["day.csv"]


def test_what_is_no_file_is_put_away_and_what_is_unfinished_is_left(
    desk: Desk, tmp_path: Path
) -> None:
    # given
    secret = tmp_path / "secret"
    secret.write_text(f"{HEADER}\n{shot(1)}\n")
    (desk.drops / "link.csv").symlink_to(secret)
    os.mkfifo(desk.drops / "pipe.csv")
    (desk.drops / "folder.csv").mkdir()
    (desk.drops / "day.csv.part").write_text(f"{HEADER}\n{shot(2)}\n")
    (desk.drops / ".day.csv").write_text(f"{HEADER}\n{shot(3)}\n")

    # when
    desk.take()

    # then
    assert desk.facts() == []
    assert desk.names("rejected") == ["link.csv", "pipe.csv"]
    assert len(desk.triage()) == 2
    left = {one.name for one in desk.drops.iterdir()}
    assert left == {"rejected", "folder.csv", "day.csv.part", ".day.csv"}


def test_a_file_that_is_still_being_written_waits(desk: Desk) -> None:
    # given
    path = desk.drops / "day.csv"
    folder = WatchedFolder(desk.keeper, desk.drops)
    path.write_text(f"{HEADER}\n{shot(1)}\n")
    folder.look(NEVER)

    # when
    with path.open("a") as file:
        file.write(f"{shot(2)}\n")
    folder.look(NEVER)
    before = desk.shots()
    folder.look(NEVER)

    # then
    assert before == []
    assert desk.shots() == [1, 2]


def test_a_large_file_is_kept_in_many_transactions(desk: Desk) -> None:
    lines = [
        exposure_line(number, time=f"{number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}")
        for number in range(1_200)
    ]
    (desk.drops / "big.csv").write_text("\n".join([HEADER, *lines]) + "\n")

    desk.take()

    assert desk.shots() == list(range(1_200))
    assert desk.names("taken") == ["big.csv"]
