"""What the size on paper starts from: each figure once, with its unit and where it is from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class From(StrEnum):
    """Where a figure is from."""

    MEASURED = "measured"
    PUBLISHED = "published"
    INVENTED = "invented"


@dataclass(frozen=True, slots=True)
class Input:
    """One figure that is not computed."""

    value: float
    unit: str
    kind: From
    source: str


_QUORUM: Final = "RabbitMQ, Quorum Queues (rabbitmq.com/docs/quorum-queues)"
_DDL: Final = "PostgreSQL manual, Table Partitioning (docs/current/ddl-partitioning.html)"
_LIMITS: Final = "PostgreSQL manual, appendix Limits (docs/current/limits.html)"
_GUESS: Final = "assumption, no source"
_PARTED: Final = "`tests.bench.partitions`, 500,000 facts, PostgreSQL 15, load 72"
_CLUSTER: Final = "`tests/operations/test_broker_cluster.py`, two cores, load 100, worst of three"
_NODE: Final = "`tests/operations/test_site_node.py`, two cores, load 90, at least so many"
_CHAIN: Final = "`tests.bench.chain --exposures 140`, six services and PostgreSQL, no broker"
_DOORS: Final = "`http-facts` of `tests.bench`, 100 in a body, RabbitMQ, PostgreSQL, busy machine"

PARTED_ROWS: Final = 500_000
PARTED: Final[dict[str, dict[str, float]]] = {
    "one table": {
        "by_key_us": 96,
        "by_study_us": 368,
        "plan_by_key_us": 122,
        "keep_us": 168,
        "purge_s": 0.7,
        "purge_wal_mb": 17.7,
        "size_mb": 674.0,
    },
    "by month (25)": {
        "by_key_us": 376,
        "by_study_us": 598,
        "plan_by_key_us": 866,
        "keep_us": 124,
        "purge_s": 0.0,
        "purge_wal_mb": 0.1,
        "size_mb": 677.3,
    },
    "by site (16)": {
        "by_key_us": 194,
        "by_study_us": 558,
        "plan_by_key_us": 228,
        "keep_us": 168,
        "purge_s": 0.7,
        "purge_wal_mb": 17.7,
        "size_mb": 681.7,
    },
}
"""What that bench printed: processor time of the database's process for one question, one fact to
keep, and the purge of the oldest month; the log that this wrote; the table with its indexes."""

_ONE = PARTED["one table"]
_MONTH_OF_TWO_YEARS: Final = 31 / 731

INPUTS: Final[dict[str, Input]] = {
    "hospitals": Input(10_000, "hospitals", From.INVENTED, "the size that was asked for"),
    "studies_a_day": Input(4, "studies a hospital and day", From.INVENTED, _GUESS),
    "facts_a_study": Input(
        34, "facts a study", From.INVENTED, "as the invented group of `tests.bench.console_group`"
    ),
    "images_a_study": Input(15, "images a study", From.INVENTED, "as above, 14 to 16"),
    "image_mb": Input(
        4.4, "MB an image", From.INVENTED, "1,300 x 1,700 pixels of 2 bytes, uncompressed"
    ),
    "days_a_year": Input(300, "working days a year", From.INVENTED, _GUESS),
    "hours_a_day": Input(10, "hours in which a day's work comes", From.INVENTED, _GUESS),
    "peak": Input(3, "times the mean of those hours in the worst minutes", From.INVENTED, _GUESS),
    "retention_years": Input(
        10, "years that facts are kept", From.INVENTED, "assumption; the law of each country says"
    ),
    "uplink_mbit": Input(20, "Mbit/s up from a hospital", From.INVENTED, _GUESS),
    "cut_hours": Input(24, "hours that a line is cut", From.INVENTED, "'a day's cut'"),
    "database_memory_gb": Input(256, "GB of memory of the database", From.INVENTED, _GUESS),
    "restore_mb_s": Input(
        200, "MB/s at which a database is put back", From.INVENTED, "assumption; measure yours"
    ),
    "restore_hours_most": Input(4, "hours that putting back may take", From.INVENTED, _GUESS),
    "database_over_s": Input(60, "s until a standby has taken over", From.INVENTED, _GUESS),
    "spare": Input(2, "times the peak that workers are made for", From.INVENTED, _GUESS),
    "metadata_b": Input(32, "bytes of memory a queued message, at least", From.PUBLISHED, _QUORUM),
    "wal_mib": Input(512, "MiB of write-ahead log a node by default", From.PUBLISHED, _QUORUM),
    "wal_times": Input(
        4, "times that in memory where throughput is high (3 at least)", From.PUBLISHED, _QUORUM
    ),
    "replicas": Input(3, "replicas of a quorum queue by default", From.PUBLISHED, _QUORUM),
    "partitions_most": Input(
        2_000,
        "partitions that the planner handles ('a few thousand', taken as two)",
        From.PUBLISHED,
        _DDL,
    ),
    "relation_tb": Input(32, "TB that one table may have", From.PUBLISHED, _LIMITS),
    "fact_body_b": Input(
        1_010, "bytes of a fact's message", From.MEASURED, "mean of the 188 facts of `make demo`"
    ),
    "fact_row_b": Input(
        _ONE["size_mb"] * 1e6 / PARTED_ROWS,
        "bytes a fact in `intake_fact` with its indexes",
        From.MEASURED,
        _PARTED,
    ),
    "purge_s_per_million": Input(
        _ONE["purge_s"] / (PARTED_ROWS * _MONTH_OF_TWO_YEARS / 1e6),
        "s of processor to purge a million facts",
        From.MEASURED,
        _PARTED,
    ),
    "door_facts_s": Input(1_753, "facts/s kept by one intake", From.MEASURED, _DOORS),
    "cpu_ms_one": Input(
        99.6, "ms of processor a fact, services and database", From.MEASURED, _CHAIN
    ),
    "cpu_ms_many": Input(8.9, "the same in batches of 50, many of a study", From.MEASURED, _CHAIN),
    "leader_lost_s": Input(4.9, "s without work as the leader is lost", From.MEASURED, _CLUSTER),
    "node_back_s": Input(31, "s until a killed node is back", From.MEASURED, _CLUSTER),
    "forward_facts_s": Input(43, "facts/s from one site's node to the group", From.MEASURED, _NODE),
}
