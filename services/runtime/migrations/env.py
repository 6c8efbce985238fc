"""Alembic's way in: run the revisions on the connection that ``migrate`` hands over."""

from alembic import context

from services.runtime.tables import METADATA

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=METADATA,
    version_table="gomphosis_version",
    render_as_batch=connection.dialect.name == "sqlite",
)
# The caller's transaction is around us: all revisions or none.
context.run_migrations()
