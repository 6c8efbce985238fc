"""The size on paper: what a group of 10,000 hospitals would ask of the broker, database and lines.

``python -m tests.bench.size_on_paper`` writes the tables of
``services/runtime/operations/SIZE.md`` anew; with ``--check`` it only says whether they are current
(exit code 1: they are not). Every figure is an input of ``size_inputs`` or computed here.
"""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from schemas.channels import SUBSCRIPTIONS, Exchange
from services.runtime.bus import BusLimits
from services.runtime.bus_amqp_topology import queue_arguments
from tests.bench.size_inputs import INPUTS, PARTED, From

DOCUMENT: Final = Path(__file__).parents[2] / "services/runtime/operations/SIZE.md"
HOUR_S: Final = 3_600
MONTHS_A_YEAR: Final = 12


@dataclass(frozen=True, slots=True)
class Row:
    """One computed figure, and how."""

    what: str
    value: float
    unit: str
    how: str


@dataclass(frozen=True, slots=True)
class Given:
    """The inputs by name, as numbers."""

    values: Mapping[str, float]

    def __getattr__(self, name: str) -> float:
        try:
            return self.values[name]
        except KeyError as error:
            raise AttributeError(name) from error

    @property
    def facts_a_day(self) -> float:
        return self.hospitals * self.studies_a_day * self.facts_a_study

    @property
    def facts_a_year(self) -> float:
        return self.facts_a_day * self.days_a_year

    @property
    def mean_facts_s(self) -> float:
        return self.facts_a_day / (self.hours_a_day * HOUR_S)

    @property
    def peak_facts_s(self) -> float:
        return self.mean_facts_s * self.peak

    @property
    def site_facts_a_day(self) -> float:
        return self.studies_a_day * self.facts_a_study

    @property
    def site_images_mb_a_day(self) -> float:
        return self.studies_a_day * self.images_a_study * self.image_mb

    @property
    def kept_gb(self) -> float:
        """Both tables of facts, over all years that they are kept."""
        rows = self.facts_a_year * self.retention_years
        return 2 * rows * self.fact_row_b / 1e9


def copies_of_a_fact() -> int:
    """Count the queues that an exposure reaches, with one conclusion of each kind that follows."""
    kinds = ("exposure_ended", "study_assessed", "charges_assessed", "note_written")
    heard = [
        kind
        for one in SUBSCRIPTIONS
        for exchange, kind in one.kinds
        if exchange is not Exchange.OFFERS
    ]
    return sum(heard.count(kind) for kind in kinds)


def queues() -> int:
    """Count every queue that the product declares."""
    return sum(len(queue_arguments(one.queue, BusLimits())) for one in SUBSCRIPTIONS)


def load(given: Given) -> list[Row]:
    """What comes in."""
    images_gb = given.hospitals * given.site_images_mb_a_day / 1e3
    return [
        Row("facts", given.facts_a_day / 1e6, "million a day", "hospitals x studies x facts"),
        Row("facts", given.facts_a_year / 1e6, "million a year", "x working days"),
        Row("facts, mean", given.mean_facts_s, "/s", "a day's facts over its hours"),
        Row("facts, worst minutes", given.peak_facts_s, "/s", "x peak"),
        Row("images", images_gb, "GB a day", "hospitals x studies x images x size"),
        Row("images", images_gb * given.days_a_year / 1e6, "PB a year", "x working days"),
    ]


def broker(given: Given) -> list[Row]:
    """What a cluster of three with quorum queues carries."""
    copies = copies_of_a_fact()
    backlog = given.peak_facts_s * HOUR_S
    return [
        Row("queues", queues(), "", "each service: its own, the dead, one for each wait"),
        Row("replicas of queues", queues() * given.replicas, "", "x replicas"),
        Row(
            "were there queues for each site",
            queues() * given.hospitals * given.replicas / 1e6,
            "million replicas",
            "x hospitals: each is a Raft member with memory of its own",
        ),
        Row("copies of a fact in queues, at most", copies, "", "with one conclusion of each kind"),
        Row("messages, worst minutes", given.peak_facts_s * copies, "/s", "facts x copies"),
        Row("in one service's queue", given.peak_facts_s, "/s", "each fact once in each"),
        Row(
            "memory for the log, each node",
            given.wal_mib * given.wal_times / 1024,
            "GiB",
            "x times",
        ),
        Row(
            "an hour without assessment: waiting",
            backlog / 1e6,
            "million messages",
            "worst minutes x 3,600",
        ),
        Row("their memory, each node", backlog * given.metadata_b / 1e6, "MB", "x metadata"),
        Row("their disk, each node", backlog * given.fact_body_b / 1e9, "GB", "x a fact's bytes"),
    ]


def work(given: Given) -> list[Row]:
    """What the services and the database need of processors."""
    one, many = given.cpu_ms_one / 1e3, given.cpu_ms_many / 1e3
    return [
        Row(
            "cores, one by one", given.peak_facts_s * one, "", "worst minutes x time, batches of 1"
        ),
        Row("cores, in batches", given.peak_facts_s * many, "", "the same in batches of 50"),
        Row(
            "cores to have, at most",
            given.peak_facts_s * one * given.spare,
            "",
            "one by one x spare",
        ),
        Row(
            "intakes (HTTP)",
            math.ceil(given.spare * given.peak_facts_s / given.door_facts_s),
            "processes",
            "worst minutes x spare / what one keeps",
        ),
    ]


def database(given: Given) -> list[Row]:
    """What PostgreSQL keeps, and whether parting it would pay."""
    table_gb = given.kept_gb / 2
    month = given.facts_a_year / MONTHS_A_YEAR / 1e6
    months = given.retention_years * MONTHS_A_YEAR
    return [
        Row(
            "rows of facts",
            given.facts_a_year * given.retention_years / 1e9,
            "thousand million",
            "facts a year x years",
        ),
        Row("one table of facts", table_gb / 1e3, "TB", "x bytes a row with indexes"),
        Row(
            "of the most that one table may have", 100 * table_gb / 1e3 / given.relation_tb, "%", ""
        ),
        Row(
            "of the database's memory",
            table_gb / given.database_memory_gb,
            "times",
            "the manual's rule of thumb for parting a table: above 1",
        ),
        Row(
            "parts by month",
            months,
            "",
            f"years x 12; the planner handles {given.partitions_most:,.0f}",
        ),
        Row("parts by site", given.hospitals, "", "more than the planner handles"),
        Row(
            "a month's purge",
            month * given.purge_s_per_million / 60,
            "minutes of processor",
            "a month's facts x time by million, intake's table",
        ),
        Row(
            "reading the table for it",
            table_gb * 1e3 / given.restore_mb_s / HOUR_S,
            "hours",
            "with its indexes, at the speed of putting back: too long rather than too short",
        ),
        Row(
            "putting it back",
            given.kept_gb * 1e3 / given.restore_mb_s / HOUR_S,
            "hours",
            "both tables of facts / speed",
        ),
    ]


def cells(given: Given) -> list[Row]:
    """Into how many groups of their own the hospitals would be parted."""
    a_site_gb = given.kept_gb / given.hospitals
    most_gb = given.restore_hours_most * HOUR_S * given.restore_mb_s / 1e3
    in_a_cell = math.floor(most_gb / a_site_gb)
    number = math.ceil(given.hospitals / in_a_cell)
    return [
        Row("facts of a hospital, all years", a_site_gb, "GB", "both tables / hospitals"),
        Row("hospitals in a cell, at most", in_a_cell, "", "what is put back in time / that"),
        Row("cells", number, "", "hospitals / that, rounded up"),
        Row("facts in a cell, worst minutes", given.peak_facts_s / number, "/s", ""),
        Row(
            "cores in a cell, at most",
            given.peak_facts_s / number * given.cpu_ms_one / 1e3 * given.spare,
            "",
            "one by one x spare",
        ),
        Row("one table of facts in a cell", given.kept_gb / 2 / number / 1e3, "TB", ""),
    ]


def line(given: Given) -> list[Row]:
    """What a site's own node holds while its line is cut, and how long it then takes."""
    share = given.cut_hours / 24
    facts, images_mb = given.site_facts_a_day * share, given.site_images_mb_a_day * share
    together = given.hospitals * facts
    spare_s = (given.spare - 1) * given.peak_facts_s
    return [
        Row("facts behind the cut", facts, "", "a hospital's day x hours of the cut"),
        Row("images behind the cut", images_mb, "MB", "the same"),
        Row("facts are there after", facts / given.forward_facts_s, "s", "/ facts/s of one node"),
        Row(
            "images are there after", images_mb * 8 / given.uplink_mbit / 60, "minutes", "/ uplink"
        ),
        Row("if the group was away: facts of all", together / 1e6, "million", "x hospitals"),
        Row(
            "are worked off in",
            together / spare_s / HOUR_S,
            "hours",
            "with live work at its peak: what is spare is the peak once more",
        ),
        Row("images of all", given.hospitals * images_mb / 1e6, "TB", "x hospitals"),
    ]


def recovery(given: Given) -> list[Row]:
    """How long the loss of a part is felt."""
    return [
        Row("broker's leader killed: no work for", given.leader_lost_s, "s", "measured"),
        Row(
            "facts that wait meanwhile",
            given.peak_facts_s * given.leader_lost_s,
            "",
            "x worst minutes; in outboxes and queues",
        ),
        Row("broker's node back, cluster whole", given.node_back_s, "s", "measured"),
        Row(
            "database changes over: facts that devices hold",
            given.peak_facts_s * given.database_over_s,
            "",
            "worst minutes x time; they are told 503 and send again",
        ),
        Row(
            "are worked off in",
            given.database_over_s / (given.spare - 1),
            "s",
            "what is spare is the peak once more",
        ),
    ]


TABLES: Final[dict[str, Callable[[Given], list[Row]]]] = {
    "load": load,
    "broker": broker,
    "work": work,
    "database": database,
    "cells": cells,
    "line": line,
    "recovery": recovery,
}


def given_inputs() -> Given:
    """Give the inputs as numbers."""
    return Given({name: one.value for name, one in INPUTS.items()})


def shown(value: float) -> str:
    """Write a figure with three digits that count."""
    if value == round(value) and value < 1_000:
        return f"{value:.0f}"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{round(value, digits):,.{digits}f}" if value < 100 else f"{float(f'{value:.3g}'):,.0f}"


def inputs_table() -> str:
    """List every input with its source."""
    order = list(From)
    lines = ["| input | value | what | from |", "|---|---:|---|---|"]
    for name, one in sorted(INPUTS.items(), key=lambda item: order.index(item[1].kind)):
        value = f"{one.value:,.4g}" if one.value < 1_000 else f"{one.value:,.0f}"
        lines.append(f"| `{name}` | {value} | {one.unit} | **{one.kind.value}**: {one.source} |")
    return "\n".join(lines)


def shapes_table() -> str:
    """List what each shape of the table of facts costs, as it was measured."""
    head = {
        "by_key_us": "found by key, µs",
        "plan_by_key_us": "planned, µs",
        "by_study_us": "a study's, µs",
        "keep_us": "kept, µs",
        "purge_s": "a month purged, s",
        "purge_wal_mb": "log of that, MB",
        "size_mb": "size, MB",
    }
    lines = [f"| shape | {' | '.join(head.values())} |", "|---|" + "---:|" * len(head)]
    for name, figures in PARTED.items():
        lines.append(f"| {name} | {' | '.join(f'{figures[part]:,.10g}' for part in head)} |")
    return "\n".join(lines)


def table(rows: list[Row]) -> str:
    """Write computed figures as a table."""
    lines = ["| what | figure | how |", "|---|---:|---|"]
    lines += [f"| {row.what} | {shown(row.value)} {row.unit} | {row.how} |" for row in rows]
    return "\n".join(lines).replace("  |", " |")


def rendered(text: str) -> str:
    """Put the tables of now between the marks of a document."""
    given = given_inputs()
    made = {"inputs": inputs_table(), "shapes": shapes_table()} | {
        name: table(make(given)) for name, make in TABLES.items()
    }
    for name, lines in made.items():
        marks = re.compile(rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", re.DOTALL)
        if len(marks.findall(text)) != 1:
            raise ValueError(f"{DOCUMENT.name}: expected the marks of {name} once")
        text = marks.sub(lambda found, lines=lines: f"{found[1]}{lines}\n{found[2]}", text)  # type: ignore[misc]
    return text


def main() -> int:
    """Write the document's tables, or check them."""
    before = DOCUMENT.read_text(encoding="utf-8")
    after = rendered(before)
    if "--check" in sys.argv[1:]:
        return int(before != after)
    DOCUMENT.write_text(after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
