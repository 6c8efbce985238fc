"""Fills a PostgreSQL store with years of days: copies of one day that the services themselves kept.

The database writes the copies. Each is of the same sites and rooms, some days earlier, with keys,
studies and patients of its own in every column that is asked by. Bodies stay as they were, since
nothing that happens today reads them.
"""

from __future__ import annotations

from dataclasses import dataclass

import psycopg
from psycopg import sql

INBOX = "runtime_inbox"
INBOX_DAYS = 30
"""The inbox forgets after so many days, as the services have it."""

_NOT_BY_DAY = {
    "gomphosis_version",
    "runtime_outbox",
    "runtime_deed",
    "runtime_audit",
    "console_session",
    "console_change",
    "console_device",
}
"""Rows that do not grow with the days, or that go soon."""

_NAMES_OF_A_DAY = {"natural_key", "order_id", "patient_id", "about", "posting_key"}
_UIDS = {"study_instance_uid", "sop_instance_uid"}
_NUMBERED = "charges_audit"
"""Rows of a site under one count: each day's copies get numbers of their own."""
_IDS = {"id", "message_id"}


@dataclass(frozen=True, slots=True)
class Filled:
    """What a store holds. ``facts`` are those that assessment has; sizes are with indexes."""

    facts: int
    bytes_by_table: dict[str, int]

    @property
    def bytes(self) -> int:
        return sum(self.bytes_by_table.values())


def fill(url: str, days: int) -> None:
    """Add so many earlier days, each like what the store holds now. ``url`` is libpq's."""
    with psycopg.connect(url) as database:
        database.execute("SET LOCAL synchronous_commit = off")
        database.execute("SET LOCAL maintenance_work_mem = '256MB'")
        for table in _tables_by_day(database):
            # Rows first and indexes afterwards, as any bulk load: key by key it takes hours.
            made_again = _drop_indexes(database, table)
            _copy_rows(database, table, min(days, INBOX_DAYS) if table == INBOX else days)
            for statement in made_again:
                database.execute(statement)
    with psycopg.connect(url, autocommit=True) as database:
        database.execute("VACUUM (ANALYZE)")
        database.execute("CHECKPOINT")


def filled(url: str) -> Filled:
    """Tell what a store holds."""
    with psycopg.connect(url) as database:
        sizes = database.execute(
            "SELECT relname, pg_total_relation_size(oid) FROM pg_class "
            "WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
        ).fetchall()
        (facts,) = database.execute("SELECT count(*) FROM assessment_fact").fetchone() or (0,)
    return Filled(int(facts), {name: int(size) for name, size in sizes})


def _tables_by_day(database: psycopg.Connection) -> list[str]:
    names = database.execute(
        "SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename"
    ).fetchall()
    return [name for (name,) in names if name not in _NOT_BY_DAY and _has_rows(database, name)]


def _has_rows(database: psycopg.Connection, table: str) -> bool:
    query = sql.SQL("SELECT EXISTS (SELECT 1 FROM {})").format(sql.Identifier(table))
    row = database.execute(query).fetchone()
    return bool(row and row[0])


def _drop_indexes(database: psycopg.Connection, table: str) -> list[str]:
    """Drop a table's keys and indexes; give the statements that make them again."""
    made_again = []
    keys = database.execute(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
        "WHERE conrelid = %s::regclass AND contype IN ('p', 'u')",
        (table,),
    ).fetchall()
    for name, definition in keys:
        own = (sql.Identifier(table), sql.Identifier(name))
        database.execute(sql.SQL("ALTER TABLE {} DROP CONSTRAINT {}").format(*own))
        made_again.append(f'ALTER TABLE "{table}" ADD CONSTRAINT "{name}" {definition}')
    indexes = database.execute(
        "SELECT indexname, indexdef FROM pg_indexes WHERE tablename = %s", (table,)
    ).fetchall()
    for name, definition in indexes:
        database.execute(sql.SQL("DROP INDEX {}").format(sql.Identifier(name)))
        made_again.append(definition)
    return made_again


def _copy_rows(database: psycopg.Connection, table: str, days: int) -> None:
    columns = database.execute(
        "SELECT column_name, data_type, column_default, is_identity "
        "FROM information_schema.columns WHERE table_name = %s ORDER BY ordinal_position",
        (table,),
    ).fetchall()
    names, values = [], []
    for name, kind, default, identity in columns:
        if identity == "YES" or "nextval" in str(default):
            continue  # the database counts on
        names.append(sql.Identifier(name))
        counts = table == _NUMBERED and name == "number"
        values.append(_LATER if counts else _earlier(name, kind))
    statement = sql.SQL(
        "INSERT INTO {table} ({names}) SELECT {values} FROM (SELECT * FROM {table}) AS kept "
        "CROSS JOIN generate_series(1, {days}) AS days(back)"
    )
    database.execute(
        statement.format(
            table=sql.Identifier(table),
            names=sql.SQL(", ").join(names),
            values=sql.SQL(", ").join(values),
            days=sql.Literal(days),
        )
    )


_LATER = sql.SQL("number + 10000 * back")


def _earlier(name: str, kind: str) -> sql.Composable:
    """Say what a column is in the copy of an earlier day."""
    column = sql.Identifier(name)
    if kind == "date":
        return sql.SQL("{} - back").format(column)
    if kind.startswith("timestamp"):
        return sql.SQL("{} - make_interval(days => back)").format(column)
    if name in _IDS and kind.startswith("character"):
        # UUIDv7 begins with its time: here with the day's, so that order and size stay.
        return sql.SQL("lpad(to_hex(16777216 - back), 8, '0') || substr({}, 9)").format(column)
    if name in _NAMES_OF_A_DAY:
        return sql.SQL("{} || '~' || back").format(column)
    if name in _UIDS:
        return sql.SQL("{} || '.' || back").format(column)
    return column
