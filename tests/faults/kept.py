"""What intake, assessment and triage keep, by plain SQL. Part of the checker: no code of ours."""

from __future__ import annotations

import json
import re
import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg

HEARD_BY_ASSESSMENT = (
    "exposure_ended",
    "image_stored",
    "order_placed",
    "readiness_checked",
    "image_rejected",
    "view_excused",
    "study_closed",
)


TABLES = {
    "intake_fact": ("site", "natural_key", "kind", "body"),
    "assessment_fact": ("site", "natural_key"),
    "runtime_triage": ("body",),
}


@dataclass(frozen=True)
class Kept:
    """``receipts``: natural keys by site. ``things``: how often each exposure, image and order is
    kept as a fact, by site, kind and its own name. ``unheard``: facts that intake keeps and
    assessment does not."""

    receipts: frozenset[tuple[str, str]]
    things: Counter[tuple[str, str, str]]
    unheard: tuple[tuple[str, str], ...]
    triage: tuple[bytes, ...]


def copy_store(store_url: str, path: Path) -> None:
    """Copy what the checker looks at into a SQLite file, which outlives the store.

    ``store_url`` is of SQLAlchemy's form, of SQLite or PostgreSQL.
    """
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as copy, copy:
        for table, columns in TABLES.items():
            copy.execute(f"CREATE TABLE {table} ({', '.join(columns)})")
            places = ", ".join("?" for _ in columns)
            rows = _rows(store_url, f"SELECT {', '.join(columns)} FROM {table}")
            copy.executemany(f"INSERT INTO {table} VALUES ({places})", rows)


def read_kept(path: Path) -> Kept:
    """Read a copy of ``copy_store``."""
    url = f"sqlite:///{path}"
    facts = _rows(url, "SELECT site, natural_key, kind, body FROM intake_fact")
    kinds = ", ".join(f"'{kind}'" for kind in HEARD_BY_ASSESSMENT)
    unheard = (
        f"SELECT site, natural_key FROM intake_fact WHERE kind IN ({kinds}) "
        "EXCEPT SELECT site, natural_key FROM assessment_fact"
    )
    things = Counter(
        (site, kind, name)
        for site, _key, kind, body in facts
        if (name := _name_of(kind, body)) is not None
    )
    return Kept(
        receipts=frozenset((site, key) for site, key, _kind, _body in facts),
        things=things,
        unheard=tuple((site, key) for site, key in _rows(url, unheard)),
        triage=tuple(bytes(row[0]) for row in _rows(url, "SELECT body FROM runtime_triage")),
    )


def _name_of(kind: str, body: Any) -> str | None:
    """Give the name by which a thing is one and the same, whoever told it how often."""
    if kind not in {"exposure_ended", "image_stored", "order_placed"}:
        return None
    told = json.loads(bytes(body))["payload"]
    if kind == "exposure_ended":
        return exposure_name(told["generator_serial"], told["exposure_counter"])
    return str(told["sop_instance_uid"] if kind == "image_stored" else told["order_id"])


def exposure_name(serial: str, counter: int) -> str:
    return f"{serial} {counter}"


def _rows(store_url: str, query: str) -> list[Any]:
    if store_url.startswith("sqlite"):
        path = re.sub(r"^sqlite[^:]*:///", "", store_url)
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()
    plain = re.sub(r"^postgresql\+\w+:", "postgresql:", store_url)
    with psycopg.connect(plain) as connection_:
        return _all(connection_.execute(query.encode()))


def _all(rows: Iterable[Any]) -> list[Any]:
    return list(rows)
