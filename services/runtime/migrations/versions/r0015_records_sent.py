"""Whether a posting may have reached the record already, and the day that it was put under."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Of what waits already nobody knows whether it was sent: the record is asked first.
    op.add_column(
        "records_posting",
        sa.Column("maybe_sent", sa.Boolean, nullable=False, server_default=sa.true()),
    )
    op.add_column("records_posting", sa.Column("posting_day", sa.Date))


def downgrade() -> None:
    op.drop_column("records_posting", "posting_day")
    op.drop_column("records_posting", "maybe_sent")
