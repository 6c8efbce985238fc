"""``gomphosis record-tables``: the tables of the SQL adapter, as SQL for the record's side."""

from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated

import typer
from sqlalchemy import Dialect, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from services.records.adapters.sql_tables import RIGHTS, RULES, STAGING
from services.runtime.cli.exits import plain_errors, stdout


class Database(StrEnum):
    POSTGRESQL = "postgresql"
    SQLITE = "sqlite"


_DIALECTS: dict[Database, Dialect] = {
    Database.POSTGRESQL: postgresql.dialect(),  # type: ignore[no-untyped-call]
    Database.SQLITE: sqlite.dialect(),
}


def print_record_tables(
    database: Annotated[Database, typer.Option("--database", help="Whose SQL.")] = (
        Database.POSTGRESQL
    ),
    user: Annotated[
        str, typer.Option("--user", help="Print the grants for this user too (PostgreSQL).")
    ] = "",
) -> None:
    """Print the tables by which a record takes SQL, for the record's side to make.

    For another schema than the user's first, put SET search_path before it.

    Example: gomphosis record-tables --database postgresql --user gomphosis
    """
    with plain_errors():
        stdout.print(record_tables(database, user), markup=False, highlight=False)


def record_tables(database: Database, user: str = "") -> str:
    """Give the statements that make the tables, each column explained beside it."""
    dialect = _DIALECTS[database]
    parts = [f"-- {line}".rstrip() for line in RULES.splitlines()] + [""]
    parts += [part for table in STAGING.sorted_tables for part in _of_table(table, dialect)]
    if user and database is Database.POSTGRESQL:
        quoted = dialect.identifier_preparer.quote(user)
        parts += [grant for table in STAGING.sorted_tables for grant in _grants(table, quoted)]
    return "\n".join(parts)


def _of_table(table: Table, dialect: Dialect) -> Iterator[str]:
    yield f"-- {table.name}: {table.comment}"
    width = max(len(column.name) for column in table.columns)
    yield from (f"--   {column.name:{width}}  {column.comment}" for column in table.columns)
    made = str(CreateTable(table).compile(dialect=dialect)).strip().expandtabs(4)
    yield "\n".join(line.rstrip() for line in made.split("\n")) + ";"
    yield from (
        f"{CreateIndex(index).compile(dialect=dialect)};"
        for index in sorted(table.indexes, key=lambda one: str(one.name))
    )
    yield ""


def _grants(table: Table, user: str) -> Iterator[str]:
    rights = RIGHTS[table.name]
    wanted = [*rights.of_table]
    if rights.update:
        wanted.append(f"UPDATE ({', '.join(rights.update)})")
    yield f"GRANT {', '.join(wanted)} ON {table.name} TO {user};"
