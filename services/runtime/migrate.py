"""Bring the store to this version's schema, or tell that it is not."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from services.runtime.store import Store

_SCRIPTS = Path(__file__).parent / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS))
    return config


def wanted_revision() -> str:
    """Give the newest revision that this version knows."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


def current_revision(store: Store) -> str | None:
    """Give the revision that the store is at; None for an empty store."""
    with store.read() as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": "gomphosis_version"}
        )
        return context.get_current_revision()


def migrate(store: Store, revision: str = "head") -> str | None:
    """Bring the store to a revision, in one transaction; give the revision it is at then.

    Of several callers one works and the others wait. Raises StoreUnavailable.
    """
    config = _config()
    with store.begin() as connection:
        store.lock(connection, "migrate")
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    return current_revision(store)


def go_back(store: Store, revision: str) -> None:
    """Take the store back to an older revision (``base`` empties it)."""
    config = _config()
    with store.begin() as connection:
        store.lock(connection, "migrate")
        config.attributes["connection"] = connection
        command.downgrade(config, revision)
