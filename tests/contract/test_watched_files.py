"""What a generator writes as text is kept once, whatever happens to the file, on both stores."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from sqlalchemy import func, select

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import ExposureEnded
from schemas.group import Group
from schemas.mappings import DeviceMapping, load_mapping
from schemas.messages import parse
from services.intake.appended_file import AppendedFile
from services.intake.line_keeper import LineKeeper
from services.intake.store import FACT
from services.intake.tail_store import TAIL
from services.intake.watched_folder import WatchedFolder
from services.runtime import triage
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.device_text import HEADER, exposure_line
from tests.intake_support import GROUP
from tests.servers.polling import wait_until

MAPPING = load_mapping()
NEVER = Event()


class Desk:
    """A store, a device's keeper, and what came of its lines."""

    def __init__(self, url: str, folder: Path, mapping: DeviceMapping = MAPPING) -> None:
        self.folder = folder
        self.store = Store(url)
        self.bus = open_bus(f"embedded:{folder / 'bus.sqlite'}", BusLimits(), "test")
        self.keeper = self.keeper_of(mapping)
        self.log = folder / "device.log"
        self.drops = folder / "drops"
        self.drops.mkdir(exist_ok=True)

    def keeper_of(self, mapping: DeviceMapping) -> LineKeeper:
        site = Group.model_validate_json(json.dumps(GROUP)).site("north")
        device = site.device("generator-1")
        assert device is not None
        relay = Relay("intake", self.store, self.bus)
        return LineKeeper("intake", "invented-group", site, device, mapping, self.store, relay)

    def close(self) -> None:
        self.bus.close()
        self.store.close()

    def follow(self) -> None:
        """Look at the log as a process that was just started does."""
        AppendedFile(self.keeper, self.log).look(NEVER)

    def take(self) -> None:
        """Look twice at the folder: a file counts once it did not change in between."""
        folder = WatchedFolder(self.keeper, self.drops)
        folder.look(NEVER)
        folder.look(NEVER)

    def write(self, *lines: str, end: str = "\n", mode: str = "a") -> None:
        with self.log.open(mode, encoding="utf-8", newline="") as file:
            file.write("".join(line + end for line in lines))

    def facts(self) -> list[Message[Payload]]:
        with self.store.read() as connection:
            query = select(FACT.c.body).order_by(FACT.c.natural_key)
            return [parse(body) for body in connection.execute(query).scalars()]

    def shots(self) -> list[int]:
        """The counters of every exposure that was kept, in order."""
        told = [fact.payload for fact in self.facts()]
        return sorted(
            exposure.exposure_counter
            for exposure in told
            if isinstance(exposure, ExposureEnded) and exposure.exposure_counter is not None
        )

    def sent(self) -> int:
        with self.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(OUTBOX)) or 0)

    def triage(self) -> list[Any]:
        with self.store.read() as connection:
            return list(triage.entries(connection))

    def names(self, folder: str) -> list[str]:
        path = self.drops / folder
        return sorted(one.name for one in path.iterdir()) if path.is_dir() else []


@pytest.fixture
def desk(database_url: str, tmp_path: Path) -> Iterator[Desk]:
    made = Desk(database_url, tmp_path)
    migrate(made.store)
    yield made
    made.close()


def shot(number: int) -> str:
    return exposure_line(number, time=f"10:{number % 60:02}:00")


# A file that goes on growing -----------------------------------------------------------------


def test_each_line_of_a_growing_file_is_kept_and_sent_once_over_restarts(desk: Desk) -> None:
    # given
    desk.write("# INVENTED log", HEADER, shot(1), shot(2))
    desk.follow()

    # when
    desk.write(shot(3))
    desk.follow()
    desk.follow()

    # then
    assert desk.shots() == [1, 2, 3]
    assert desk.sent() == 3
    assert desk.triage() == []
    first = desk.facts()[0]
    assert (first.source.kind, first.source.name) == ("device", "generator-1")
    assert (first.site, first.source_clock) == ("north", "02.03.2026 10:01:00")


def test_a_line_that_is_not_ended_yet_waits_for_its_end(desk: Desk) -> None:
    # given
    line = shot(2)
    desk.write(HEADER, shot(1))
    desk.write(line[:30], end="")

    # when
    desk.follow()
    before = desk.shots()
    desk.write(line[30:])
    desk.follow()

    # then
    assert before == [1]
    assert desk.shots() == [1, 2]
    assert desk.triage() == []


def test_either_line_end_and_a_byte_order_mark_are_taken(desk: Desk) -> None:
    desk.log.write_bytes(b"\xef\xbb\xbf" + f"{HEADER}\r\n{shot(1)}\r\n\r\n{shot(2)}\n".encode())

    desk.follow()

    assert desk.shots() == [1, 2]
    assert desk.triage() == []


def test_a_bad_line_goes_to_triage_and_the_next_ones_are_kept(desk: Desk) -> None:
    # given
    desk.write(HEADER, shot(1), exposure_line(2, program="P9"), shot(3))

    # when
    desk.follow()
    desk.follow()

    # then
    assert desk.shots() == [1, 3]
    (entry,) = desk.triage()
    assert (entry.origin, entry.field, entry.value) == ("file", "column Program", "'P9'")
    assert "line 3 of" in entry.expected
    assert ";P9;" in entry.expected


def test_a_bad_line_is_completed_by_a_person_and_replayed_as_a_fact(desk: Desk) -> None:
    # given
    desk.write(HEADER, exposure_line(2, program="P9"))
    desk.follow()
    (entry,) = desk.triage()
    body = json.loads(entry.body)
    body["payload"]["preset"] = "side-lower"

    # when
    with desk.store.begin() as connection:
        identity = triage.replay(connection, entry.id, json.dumps(body).encode())

    # then
    with desk.store.read() as connection:
        row = connection.execute(select(OUTBOX)).one()
    offered = parse(row.body)
    assert (str(offered.id), row.exchange) == (identity, "gomphosis.offers")
    assert offered.natural_key == "exposure:INVENTED-0001:2:2026-03-02T09:20:00+00:00"


@pytest.mark.parametrize("restart", [False, True])
def test_a_line_without_end_is_refused_once_and_its_rest_is_no_line(
    desk: Desk, restart: bool
) -> None:
    # given: a line longer than what is read at once
    source = AppendedFile(desk.keeper, desk.log)
    desk.write(HEADER, shot(1))
    desk.write("x" * 700_000, end="")
    source.look(NEVER)

    # when
    if restart:
        source = AppendedFile(desk.keeper, desk.log)
    desk.write("x" * 300_000)
    desk.write(shot(2))
    source.look(NEVER)

    # then
    assert desk.shots() == [1, 2]
    (entry,) = desk.triage()
    assert entry.field == "line"
    assert "at most 1024 bytes" in entry.expected
    assert len(entry.body) < 2_000


@pytest.mark.parametrize("size", [1024, 1025])
def test_a_line_is_bounded_to_the_byte(desk: Desk, size: int) -> None:
    line = "#" + "x" * (size - 1)
    desk.write(HEADER, line, shot(1))

    desk.follow()

    assert desk.shots() == [1]
    assert len(desk.triage()) == (0 if size == 1024 else 1)


def test_a_file_that_was_cut_short_and_written_anew_is_read_from_its_beginning(
    desk: Desk,
) -> None:
    # given
    desk.write(HEADER, shot(1), shot(2), shot(3))
    desk.follow()

    # when: shorter than before, and then grown past the old place
    desk.write(HEADER, shot(3), shot(4), mode="w")
    desk.follow()
    desk.write(HEADER, *(shot(number) for number in range(5, 12)), mode="w")
    desk.follow()

    # then
    assert desk.shots() == list(range(1, 12))
    assert desk.sent() == 11
    assert desk.triage() == []


def test_a_file_that_is_written_anew_without_its_header_keeps_its_columns(desk: Desk) -> None:
    desk.write(HEADER, shot(1))
    desk.follow()

    desk.write(shot(2), mode="w")
    desk.follow()

    assert desk.shots() == [1, 2]
    assert desk.triage() == []


@pytest.mark.parametrize("known", [1, 2])
def test_a_file_that_is_renamed_away_is_read_to_its_end_before_the_new_one(
    desk: Desk, known: int
) -> None:
    # given: lines that were written after the last look, before the rotation
    desk.write(HEADER, *(shot(number) for number in range(1, known)))
    desk.follow()
    desk.write(shot(7), shot(8))
    desk.write(shot(9), end="")
    desk.log.rename(desk.folder / "device.log.1")
    (desk.folder / "device.log.0").write_text("another file\n")

    # when
    desk.write(HEADER, shot(10))
    desk.follow()

    # then
    assert desk.shots() == [*range(1, known), 7, 8, 9, 10]
    assert desk.triage() == []


def test_a_copy_put_in_the_place_of_the_file_goes_on_where_it_was(desk: Desk) -> None:
    # given
    desk.write(HEADER, shot(1), exposure_line(2, program="P9"))
    desk.follow()

    # when: as an editor or a backup does
    copy = desk.folder / "copy"
    copy.write_bytes(desk.log.read_bytes() + f"{shot(3)}\n".encode())
    copy.rename(desk.log)
    desk.follow()

    # then: the bad line is not told twice
    assert desk.shots() == [1, 3]
    assert len(desk.triage()) == 1


def test_a_header_again_may_bring_its_columns_in_another_order(desk: Desk) -> None:
    columns = HEADER.split(";")
    cells = dict(zip(columns, shot(2).split(";"), strict=True))
    turned = sorted(columns)

    desk.write(HEADER, shot(1), ";".join(turned), ";".join(cells[one] for one in turned))
    desk.follow()

    assert desk.shots() == [1, 2]
    assert desk.triage() == []


def test_below_a_header_that_does_not_fit_nothing_is_read_and_a_person_is_told_once(
    desk: Desk,
) -> None:
    # given
    desk.write(HEADER, shot(1))
    desk.write(HEADER.replace("kV", "Voltage"), shot(2))

    # when
    desk.follow()
    desk.follow()
    desk.write(shot(3))
    desk.follow()

    # then
    assert desk.shots() == [1]
    (entry,) = desk.triage()
    assert entry.field == "header"
    assert "kV too" in entry.expected

    # when: the mapping is corrected, nothing was lost
    told = json.loads(MAPPING.model_dump_json())
    for one in told["records"][0]["fields"]:
        one["column"] = "Voltage" if one["column"] == "kV" else one["column"]
    desk.keeper = desk.keeper_of(DeviceMapping.model_validate_json(json.dumps(told)))
    desk.follow()

    # then
    assert desk.shots() == [1, 2, 3]
    assert len(desk.triage()) == 1


def test_the_same_exposure_told_otherwise_is_put_to_a_person(desk: Desk) -> None:
    desk.write(HEADER, exposure_line(1), exposure_line(1, kv="70,0"))

    desk.follow()

    (fact,) = desk.facts()
    assert getattr(fact.payload, "tube_kv", None) == 65.0
    (entry,) = desk.triage()
    assert (entry.origin, entry.field) == ("file", "payload.tube_kv")


def test_a_file_that_is_not_there_is_an_error_of_the_system_and_no_loss(desk: Desk) -> None:
    with pytest.raises(FileNotFoundError):
        desk.follow()
    os.mkfifo(desk.log)
    with pytest.raises(OSError, match="regular file"):
        desk.follow()

    assert desk.facts() == []


# A folder for files that are whole -----------------------------------------------------------


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


# Killed --------------------------------------------------------------------------------------

_CHILD = """
import sys
from pathlib import Path
from threading import Event
from tests.contract.test_watched_files import Desk
from services.intake.appended_file import AppendedFile
from services.intake.watched_folder import WatchedFolder

desk = Desk(sys.argv[1], Path(sys.argv[2]))
sources = [AppendedFile(desk.keeper, desk.log), WatchedFolder(desk.keeper, desk.drops)]
print("looks", flush=True)
while True:
    for source in sources:
        source.look(Event())
"""


def test_killed_at_any_moment_each_line_is_kept_and_sent_once(desk: Desk) -> None:
    # given: the log and dropped files grow while the process that reads them is killed
    total, number = 400, 0
    desk.write(HEADER)

    def some_more() -> None:
        nonlocal number
        desk.write(*(at_its_time(one) for one in range(number, number + 50)))
        part = desk.drops / f"{number}.csv.part"
        bad = exposure_line(number + 50, program="P9")
        rows = [HEADER, *(at_its_time(one) for one in range(number + 50, number + 100)), bad]
        part.write_text("\n".join(rows))
        part.rename(part.with_suffix(""))
        number += 100

    def at_its_time(one: int) -> str:
        return exposure_line(one, time=f"{one // 3600:02}:{one // 60 % 60:02}:{one % 60:02}")

    command = [sys.executable, "-c", _CHILD, desk.store.url.render_as_string(False), desk.folder]

    def kept() -> int:
        with desk.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(FACT)) or 0)

    # when: several kills, each at another depth of the work
    while number < total:
        before = kept()
        some_more()
        with subprocess.Popen(
            [str(part) for part in command],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
            env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
        ) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == b"looks\n"
            wanted = before + (number // 100 * 17) % 90
            wait_until(lambda now=wanted: kept() > now, 60, "some lines to be kept")  # type: ignore[misc]
            child.send_signal(signal.SIGKILL)
    desk.follow()
    desk.take()

    # then
    assert desk.shots() == list(range(total))
    assert desk.sent() == total
    assert sorted(entry.value for entry in desk.triage()) == ["'P9'"] * (total // 100)
    assert len(desk.names("taken")) == total // 100
    assert desk.names("rejected") == []


def test_a_mapping_that_breaks_its_contract_is_told_by_its_file(tmp_path: Path) -> None:
    (tmp_path / "mapping.yaml").write_text("name: Not A Name\n")

    with pytest.raises(InvalidInput, match=r"mapping\.yaml"):
        load_mapping(tmp_path / "mapping.yaml")
