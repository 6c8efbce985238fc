"""The tables that every service shares by shape: outbox, inbox, triage, audit.

A service's own tables live in its ``store.py``, on the same metadata.
"""

from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Dialect,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC. SQLite keeps no zone, so it is put back on reading."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        del dialect
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"expected a time with its zone, got the naive {value.isoformat()}")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


# SQLite counts rows by itself only in a column of type INTEGER.
RowId = BigInteger().with_variant(Integer, "sqlite")

OUTBOX = Table(
    "runtime_outbox",
    METADATA,
    Column("id", RowId, primary_key=True, autoincrement=True),
    Column("service", String(32), nullable=False),
    Column("exchange", String(64), nullable=False),
    Column("routing_key", String(200), nullable=False),
    Column("message_id", String(36), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Index("ix_runtime_outbox_service_id", "service", "id"),
)
"""Messages that are due and not confirmed by the bus yet. A row goes once it is confirmed."""

INBOX = Table(
    "runtime_inbox",
    METADATA,
    Column("service", String(32), primary_key=True),
    Column("message_id", String(36), primary_key=True),
    Column("handled_at", UtcDateTime, nullable=False, index=True),
)
"""Messages whose effect is in the store, so that a second delivery changes nothing."""

TRIAGE = Table(
    "runtime_triage",
    METADATA,
    Column("id", RowId, primary_key=True, autoincrement=True),
    Column("service", String(32), nullable=False),
    Column("origin", String(16), nullable=False),
    Column("kind", String(40)),
    Column("message_id", String(36)),
    Column("field", String(200), nullable=False),
    Column("value", String(400), nullable=False),
    Column("expected", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("kept_at", UtcDateTime, nullable=False),
    Column("state", String(16), nullable=False),
    Column("settled_at", UtcDateTime),
    Column("settled_by", String(129)),
    Column("settled_reason", String(400)),
    Column("sent_message_id", String(36)),
    Column("sent_body", LargeBinary),
    Index("ix_runtime_triage_state_id", "state", "id"),
)
"""Input that could not be used, with the reason, until a person settles it.

``body`` is what came and never changes; ``sent_body`` is the edited copy that was sent instead.
"""

AUDIT = Table(
    "runtime_audit",
    METADATA,
    Column("id", RowId, primary_key=True, autoincrement=True),
    Column("service", String(32), nullable=False),
    Column("door", String(16), nullable=False),
    Column("refused", String(64), nullable=False),
    Column("reason", String(400), nullable=False),
    Column("address", String(64)),
    Column("site", String(64)),
    Column("called", String(64)),
    Column("calling", String(64)),
    Column("holder", String(64)),
    Column("certificate_sha256", String(64)),
    Column("attempts", BigInteger, nullable=False),
    Column("first_at", UtcDateTime, nullable=False),
    Column("last_at", UtcDateTime, nullable=False, index=True),
)
"""Who was refused what. Rows are added only: triggers refuse anything else."""

DEED = Table(
    "runtime_deed",
    METADATA,
    Column("id", RowId, primary_key=True, autoincrement=True),
    Column("service", String(32), nullable=False),
    Column("did", String(16), nullable=False),
    Column("what", String(200), nullable=False),
    Column("about", String(400), nullable=False),
    Column("site", String(64), nullable=False),
    Column("person", String(64), nullable=False),
    Column("address", String(64)),
    Column("at", UtcDateTime, nullable=False, index=True),
)
"""Who looked at what, and who did what. Rows are added only: triggers refuse anything else."""
