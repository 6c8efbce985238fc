"""The size on paper: its arithmetic by hand, its sources, and its tables in the document."""

from dataclasses import replace

import pytest

from tests.bench.size_inputs import INPUTS, From
from tests.bench.size_on_paper import (
    DOCUMENT,
    TABLES,
    Given,
    broker,
    cells,
    copies_of_a_fact,
    database,
    given_inputs,
    line,
    load,
    queues,
    recovery,
    rendered,
    shown,
    work,
)

ROUND = Given(
    {name: one.value for name, one in INPUTS.items()}
    | {
        "hospitals": 1_000,
        "studies_a_day": 5,
        "facts_a_study": 20,
        "images_a_study": 10,
        "image_mb": 4.0,
        "days_a_year": 300,
        "hours_a_day": 10,
        "peak": 3.6,
        "retention_years": 10,
        "fact_body_b": 1_000,
        "fact_row_b": 2_000,
        "purge_s_per_million": 12.0,
        "database_memory_gb": 100,
        "restore_mb_s": 100,
        "restore_hours_most": 1,
        "cpu_ms_one": 40.0,
        "cpu_ms_many": 20.0,
        "door_facts_s": 15.0,
        "spare": 2,
        "uplink_mbit": 16,
        "cut_hours": 48,
        "forward_facts_s": 50,
        "leader_lost_s": 0.5,
        "database_over_s": 60,
    }
)
"""Round figures, so that each sum below can be done in the head."""


def figures(rows: list[object]) -> dict[str, float]:
    return {f"{row.what} {row.unit}".strip(): row.value for row in rows}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("table", "what", "by_hand"),
    [
        (load, "facts million a day", 0.1),  # 1,000 x 5 x 20
        (load, "facts million a year", 30),
        (load, "facts, mean /s", 100_000 / 36_000),
        (load, "facts, worst minutes /s", 10),
        (load, "images GB a day", 200),  # 1,000 x 5 x 10 x 4 MB
        (load, "images PB a year", 0.06),
        (broker, "in one service's queue /s", 10),
        (broker, "an hour without assessment: waiting million messages", 0.036),
        (broker, "their memory, each node MB", 36_000 * 32 / 1e6),
        (broker, "their disk, each node GB", 0.036),
        (work, "cores, one by one", 0.4),
        (work, "cores, in batches", 0.2),
        (work, "cores to have, at most", 0.8),
        (work, "intakes (HTTP) processes", 2),  # 20 /s over 15
        (database, "rows of facts thousand million", 0.3),
        (database, "one table of facts TB", 0.6),  # 300 million x 2 kB
        (database, "of the database's memory times", 6),
        (database, "parts by month", 120),
        (database, "a month's purge minutes of processor", 0.5),  # 2.5 million x 12 s
        (database, "reading the table for it hours", 600_000 / 100 / 3_600),
        (database, "putting it back hours", 1_200_000 / 100 / 3_600),
        (cells, "facts of a hospital, all years GB", 1.2),
        (cells, "hospitals in a cell, at most", 300),  # 360 GB an hour
        (cells, "cells", 4),
        (cells, "cores in a cell, at most", 0.2),
        (cells, "facts in a cell, worst minutes /s", 2.5),
        (line, "facts behind the cut", 200),
        (line, "images behind the cut MB", 400),
        (line, "facts are there after s", 4),
        (line, "images are there after minutes", 400 * 8 / 16 / 60),
        (line, "if the group was away: facts of all million", 0.2),
        (line, "are worked off in hours", 200_000 / 10 / 3_600),
        (recovery, "facts that wait meanwhile", 5),
        (recovery, "database changes over: facts that devices hold", 600),
        (recovery, "are worked off in s", 60),
    ],
)
def test_each_figure_is_what_the_same_sum_gives_by_hand(
    table: object, what: str, by_hand: float
) -> None:
    found = figures(table(ROUND))  # type: ignore[operator]

    assert found[what] == pytest.approx(by_hand)


def test_queues_and_copies_are_those_of_the_product() -> None:
    # Six services, each with its queue, its dead and five waits.
    assert queues() == 6 * (1 + 1 + 5)
    # The exposure at assessment and console; of conclusions: study_assessed at charges, notes and
    # console; charges_assessed at records and console; note_written at records and console.
    assert copies_of_a_fact() == 2 + 3 + 2 + 2


def test_every_input_says_where_it_is_from_and_none_is_left_open() -> None:
    for name, one in INPUTS.items():
        assert one.value > 0, name
        assert one.source, name
        if one.kind is not From.INVENTED:
            assert "assumption" not in one.source, name


def test_every_input_is_used_by_a_table() -> None:
    before = {name: make(given_inputs()) for name, make in TABLES.items()}
    for name, one in INPUTS.items():
        other = replace(one, value=one.value / 100)
        changed = Given({**given_inputs().values, name: other.value})
        after = {table: make(changed) for table, make in TABLES.items()}
        assert after != before, name


def test_the_documents_tables_are_those_of_the_script() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")

    assert rendered(text) == text, "run python -m tests.bench.size_on_paper"


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (0, "0"),
        (0.0123, "0.0123"),
        (1.5, "1.50"),
        (42, "42"),
        (42.25, "42.2"),
        (1_234_567, "1,230,000"),
    ],
)
def test_a_figure_is_written_with_three_digits_that_count(value: float, written: str) -> None:
    assert shown(value) == written
