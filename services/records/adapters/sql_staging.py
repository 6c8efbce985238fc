"""The rows that we staged in the record's database: adding one once, and how each stands."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Select, Table, select, update
from sqlalchemy.dialects import postgresql, sqlite

from services.records.adapters.sql_answers import AnswerRow, answers_of, standing
from services.records.adapters.sql_rows import RowValues, told
from services.records.adapters.sql_tables import ANSWER, CHARGE, CLOSED_PERIOD, LINE, NOTE, RIGHTS

_REFERENCE: Final = {CHARGE.name: "charge", NOTE.name: "note"}

ALL_SITES: Final = "*"


@dataclass(frozen=True, slots=True)
class Staged:
    """A staged row, with the record's answer that counts.

    ``gone``: the record had accepted it, we told so, and its line is on no invoice any more.
    """

    row: Mapping[Any, Any]
    answer: AnswerRow | None
    reference: str
    gone: bool = False

    @property
    def held(self) -> bool:
        """Whether the record holds it: taken up already, or waiting for its job."""
        return not self.gone and (self.answer is None or self.answer.accepted)


def reference_of(table: Table, number: object) -> str:
    """Name a staged row until the record has a name of its own for it."""
    return f"{_REFERENCE[table.name]}/{number}"


def add(connection: Connection, table: Table, row: RowValues) -> str | None:
    """Add a row; None where its key is there already. Gives its reference."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    number = connection.scalar(
        dialect.insert(table)
        .values(**row)
        .on_conflict_do_nothing(index_elements=[table.c.posting_key])
        .returning(table.c.sequence)
    )
    return None if number is None else reference_of(table, number)


def find(connection: Connection, table: Table, posting_key: str) -> Staged | None:
    """Give the row of a key, as it is ``kept``."""
    return next(iter(read(connection, table, table.c.posting_key == posting_key)), None)


def read(connection: Connection, table: Table, condition: ColumnElement[bool]) -> list[Staged]:
    """Give rows in order of posting."""
    rows = connection.execute(select(table).where(condition).order_by(table.c.sequence)).mappings()
    keys = select(table.c.posting_key).where(condition)
    answers = answers_of(connection, ANSWER.c.posting_key.in_(keys))
    lines = _with_line(connection, keys) if table is CHARGE else None
    return [
        _staged(table, row, answers.get(told(row["posting_key"]), []), lines) for row in rows.all()
    ]


def _staged(
    table: Table,
    row: Mapping[Any, Any],
    answers: Sequence[AnswerRow],
    lines: Collection[str] | None,
) -> Staged:
    answer = standing(answers, int(row["turn"]))
    if answer is None or not answer.accepted:
        return Staged(row, answer, reference_of(table, row["sequence"]))
    gone = answer.taken and lines is not None and row["posting_key"] not in lines
    return Staged(row, answer, str(answer.reference), gone)


def _with_line(connection: Connection, keys: Select[tuple[str]]) -> Collection[str]:
    """Give those of some keys that have a line on an invoice."""
    found = connection.scalars(select(LINE.c.posting_key).where(LINE.c.posting_key.in_(keys)))
    return {str(key) for key in found}


def offer_again(connection: Connection, table: Table, staged: Staged, row: RowValues) -> None:
    """Raise a row's turn, with the codes and the day of now; its content stays."""
    of_now = [name for name in RIGHTS[table.name].update if name != "turn"]
    connection.execute(
        update(table)
        .where(table.c.sequence == staged.row["sequence"])
        .values({"turn": table.c.turn + 1, **{name: row[name] for name in of_now}})
    )


def closed_through(connection: Connection, site: str, record_site: str | None) -> date | None:
    """Give the last day that is closed for a site; None where nothing is."""
    names = [name for name in (site, record_site, ALL_SITES) if name]
    days = connection.scalars(
        select(CLOSED_PERIOD.c.closed_through).where(CLOSED_PERIOD.c.site.in_(names))
    )
    return max(days, default=None)
