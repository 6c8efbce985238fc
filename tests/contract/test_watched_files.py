"""What a generator appends to a file is kept once, whatever happens to it, on both stores."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from schemas.errors import InvalidInput
from schemas.mappings import DeviceMapping, load_mapping
from schemas.messages import parse
from services.intake.appended_file import AppendedFile
from services.runtime import triage
from services.runtime.tables import OUTBOX
from tests.device_text import HEADER, exposure_line
from tests.watched import MAPPING, NEVER, Desk, opened_desk, shot


@pytest.fixture
def desk(database_url: str, tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(database_url, tmp_path) as made:
        yield made


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


def test_a_mapping_that_breaks_its_contract_is_told_by_its_file(tmp_path: Path) -> None:
    (tmp_path / "mapping.yaml").write_text("name: Not A Name\n")

    with pytest.raises(InvalidInput, match=r"mapping\.yaml"):
        load_mapping(tmp_path / "mapping.yaml")
