"""Whether the record's database has our tables, with their columns and rights: before go-live."""

from collections.abc import Iterator
from datetime import timedelta

from sqlalchemy import Connection, Table, func, inspect, select, text
from sqlalchemy.engine.interfaces import ReflectedColumn
from sqlalchemy.exc import NoSuchTableError

from services.records.adapters.sql_reading import clock
from services.records.adapters.sql_tables import ANSWER, CHARGE, NOTE, RIGHTS, STAGING


def what_is_missing(connection: Connection, schema: str | None) -> Iterator[str]:
    """Name each table, column, key and right that is not there, as ``table.column`` where it is."""
    for table in STAGING.sorted_tables:
        columns = _columns(connection, table, schema)
        if columns is None:
            yield f"table {table.name}"
            continue
        there = {column["name"] for column in columns}
        missing = [column.name for column in table.columns if column.name not in there]
        yield from (f"column {table.name}.{name}" for name in missing)
        if table in {CHARGE, NOTE} and not _is_unique(connection, table, schema):
            yield f"a unique constraint on {table.name}.posting_key"
        if connection.dialect.name == "postgresql" and not missing:
            yield from _missing_rights(connection, table, schema)


def _columns(
    connection: Connection, table: Table, schema: str | None
) -> list[ReflectedColumn] | None:
    try:
        return inspect(connection).get_columns(table.name, schema=schema)
    except NoSuchTableError:
        return None


def _is_unique(connection: Connection, table: Table, schema: str | None) -> bool:
    """Tell whether a key can be there once only: without that nothing is posted."""
    look = inspect(connection)
    try:
        constraints = look.get_unique_constraints(table.name, schema=schema)
        indexes = look.get_indexes(table.name, schema=schema)
    except NoSuchTableError:
        return False  # a view
    keys: list[list[str | None]] = [[*one["column_names"]] for one in constraints]
    keys += [
        one["column_names"]
        for one in indexes
        if one["unique"] and not one.get("dialect_options", {}).get("postgresql_where")
    ]
    return ["posting_key"] in keys


def _missing_rights(connection: Connection, table: Table, schema: str | None) -> Iterator[str]:
    quoted = connection.dialect.identifier_preparer.quote
    name = f"{quoted(schema)}.{quoted(table.name)}" if schema else quoted(table.name)
    rights = RIGHTS[table.name]
    for right in rights.of_table:
        query = text("SELECT has_table_privilege(:name, :right)")
        if not connection.scalar(query, {"name": name, "right": right}):
            yield f"the right to {right} on {table.name}"
    for column in rights.update:
        query = text("SELECT has_column_privilege(:name, :column, 'UPDATE')")
        if not connection.scalar(query, {"name": name, "column": column}):
            yield f"the right to UPDATE {table.name}.{column}"


def is_encrypted(connection: Connection) -> bool:
    """Tell whether the connection is by TLS, or needs none since it leaves no machine."""
    if connection.dialect.name == "sqlite":
        return True
    query = "SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
    local = "SELECT coalesce(host(inet_server_addr()) IN ('127.0.0.1', '::1'), true)"
    return bool(connection.scalar(text(query))) or bool(connection.scalar(text(local)))


def waiting(connection: Connection) -> tuple[int, timedelta]:
    """Give how many rows the record's job has not answered, and for how long the oldest waits."""
    count, oldest = 0, clock(connection)
    now = oldest
    for table in (CHARGE, NOTE):
        answered = select(ANSWER.c.answer_id).where(
            ANSWER.c.posting_key == table.c.posting_key, ANSWER.c.turn >= table.c.turn
        )
        query = select(func.count(), func.min(table.c.written_at)).where(~answered.exists())
        found, first = connection.execute(query).one()
        count += found
        oldest = min(oldest, first or oldest)
    return count, now - oldest
