"""The audit: rows are added only."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import RowId, UtcDateTime

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_MESSAGE = "runtime_audit: expected rows to be added, never changed or removed"

# A REPLACE on SQLite removes the row in its way without asking a trigger on DELETE.
_SQLITE = (
    f"""CREATE TRIGGER runtime_audit_no_update BEFORE UPDATE ON runtime_audit
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    f"""CREATE TRIGGER runtime_audit_no_delete BEFORE DELETE ON runtime_audit
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    """CREATE TRIGGER runtime_audit_no_replace BEFORE INSERT ON runtime_audit
       WHEN EXISTS (SELECT 1 FROM runtime_audit WHERE id = NEW.id)
       BEGIN SELECT RAISE(ABORT, 'runtime_audit: expected a row of a new id'); END""",
)
_POSTGRESQL = (
    f"""CREATE FUNCTION runtime_audit_refuse() RETURNS trigger LANGUAGE plpgsql AS
        $$ BEGIN RAISE EXCEPTION '{_MESSAGE}'; END $$""",
    """CREATE TRIGGER runtime_audit_added_only BEFORE UPDATE OR DELETE OR TRUNCATE
       ON runtime_audit FOR EACH STATEMENT EXECUTE FUNCTION runtime_audit_refuse()""",
)


def upgrade() -> None:
    op.create_table(
        "runtime_audit",
        sa.Column("id", RowId, autoincrement=True, nullable=False),
        sa.Column("service", sa.String(32), nullable=False),
        sa.Column("door", sa.String(16), nullable=False),
        sa.Column("refused", sa.String(64), nullable=False),
        sa.Column("reason", sa.String(400), nullable=False),
        sa.Column("address", sa.String(64)),
        sa.Column("site", sa.String(64)),
        sa.Column("called", sa.String(64)),
        sa.Column("calling", sa.String(64)),
        sa.Column("holder", sa.String(64)),
        sa.Column("certificate_sha256", sa.String(64)),
        sa.Column("attempts", sa.BigInteger, nullable=False),
        sa.Column("first_at", UtcDateTime, nullable=False),
        sa.Column("last_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_runtime_audit"),
    )
    op.create_index("ix_runtime_audit_last_at", "runtime_audit", ["last_at"])
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE if is_sqlite else _POSTGRESQL:
        op.execute(statement)


def downgrade() -> None:
    op.drop_table("runtime_audit")  # its triggers go with it
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION runtime_audit_refuse()")
