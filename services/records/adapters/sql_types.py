"""Types of the staging tables that PostgreSQL has and SQLite has not, and the database's clock."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import DateTime, Dialect, Numeric, Text, TypeDecorator
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeEngine


class now_there(FunctionElement[datetime]):  # noqa: N801 - a function of SQL
    """The database's own clock, as its ``Moment`` columns are written."""

    inherit_cache = True


@compiles(now_there, "postgresql")
def _now_postgresql(element: now_there, compiler: SQLCompiler, **_more: object) -> str:
    del element, compiler
    return "CURRENT_TIMESTAMP"


@compiles(now_there, "sqlite")
def _now_sqlite(element: now_there, compiler: SQLCompiler, **_more: object) -> str:
    del element, compiler
    return "(strftime('%Y-%m-%dT%H:%M:%f+00:00', 'now'))"


class Moment(TypeDecorator[datetime]):
    """A moment with its zone. SQLite has no such type: ISO 8601 text with an offset."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[datetime]:
        kind: TypeEngine[Any] = Text() if dialect.name == "sqlite" else DateTime(timezone=True)
        return dialect.type_descriptor(kind)

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | str | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"expected a time with its zone, got the naive {value.isoformat()}")
        moment = value.astimezone(UTC)
        return moment.isoformat() if dialect.name == "sqlite" else moment

    def process_result_value(
        self, value: datetime | str | None, dialect: Dialect
    ) -> datetime | None:
        del dialect
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        if moment is not None and moment.tzinfo is None:
            raise ValueError(f"a moment without its zone, {moment.isoformat()}")
        return None if moment is None else moment.astimezone(UTC)


class Exact(TypeDecorator[Decimal]):
    """A decimal number of two places. SQLite has no such type: text, never a binary float."""

    impl = Numeric(12, 2)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Decimal]:
        kind: TypeEngine[Any] = Text() if dialect.name == "sqlite" else Numeric(12, 2)
        return dialect.type_descriptor(kind)

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> Decimal | str | None:
        return f"{value:.2f}" if value is not None and dialect.name == "sqlite" else value

    def process_result_value(self, value: Decimal | str | None, dialect: Dialect) -> Decimal | None:
        del dialect
        return None if value is None else Decimal(value)
