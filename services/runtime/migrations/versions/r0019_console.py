"""The console's sessions, taps and changes, and the audit of what people saw and did."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import RowId, UtcDateTime

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

_MESSAGE = "runtime_deed: expected rows to be added, never changed or removed"

# As for runtime_audit: a REPLACE on SQLite asks no trigger on DELETE.
_SQLITE = (
    f"""CREATE TRIGGER runtime_deed_no_update BEFORE UPDATE ON runtime_deed
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    f"""CREATE TRIGGER runtime_deed_no_delete BEFORE DELETE ON runtime_deed
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    """CREATE TRIGGER runtime_deed_no_replace BEFORE INSERT ON runtime_deed
       WHEN EXISTS (SELECT 1 FROM runtime_deed WHERE id = NEW.id)
       BEGIN SELECT RAISE(ABORT, 'runtime_deed: expected a row of a new id'); END""",
)
_POSTGRESQL = (
    f"""CREATE FUNCTION runtime_deed_refuse() RETURNS trigger LANGUAGE plpgsql AS
        $$ BEGIN RAISE EXCEPTION '{_MESSAGE}'; END $$""",
    """CREATE TRIGGER runtime_deed_added_only BEFORE UPDATE OR DELETE OR TRUNCATE
       ON runtime_deed FOR EACH STATEMENT EXECUTE FUNCTION runtime_deed_refuse()""",
)


def upgrade() -> None:
    op.create_table(
        "runtime_deed",
        sa.Column("id", RowId, autoincrement=True, nullable=False),
        sa.Column("service", sa.String(32), nullable=False),
        sa.Column("did", sa.String(16), nullable=False),
        sa.Column("what", sa.String(200), nullable=False),
        sa.Column("about", sa.String(400), nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("address", sa.String(64)),
        sa.Column("at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_runtime_deed"),
    )
    op.create_index("ix_runtime_deed_at", "runtime_deed", ["at"])
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE if is_sqlite else _POSTGRESQL:
        op.execute(statement)
    op.create_table(
        "console_session",
        sa.Column("token_sha256", sa.String(64), nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("csrf", sa.String(64), nullable=False),
        sa.Column("shared", sa.Boolean, nullable=False),
        sa.Column("began_at", UtcDateTime, nullable=False),
        sa.Column("tapped_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("token_sha256", name="pk_console_session"),
    )
    op.create_index("ix_console_session_tapped_at", "console_session", ["tapped_at"])
    op.create_table(
        "console_tap",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("tap", sa.String(64), nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("occurred_at", UtcDateTime, nullable=False),
        sa.Column("kept_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "person", "tap", name="pk_console_tap"),
    )
    op.create_index("ix_console_tap_kept_at", "console_tap", ["kept_at"])
    op.create_table(
        "console_change",
        sa.Column("id", RowId, autoincrement=True, nullable=False),
        sa.Column("topic", sa.String(200), nullable=False),
        sa.Column("at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_console_change"),
    )
    op.create_index("ix_console_change_at", "console_change", ["at"])


def downgrade() -> None:
    op.drop_table("console_change")
    op.drop_table("console_tap")
    op.drop_table("console_session")
    op.drop_table("runtime_deed")  # its triggers go with it
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION runtime_deed_refuse()")
