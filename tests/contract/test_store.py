"""The store keeps its promises on SQLite and on PostgreSQL."""

import subprocess
import sys
from datetime import UTC, datetime
from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import func, insert, select

from services.runtime.migrate import current_revision, go_back, migrate, wanted_revision
from services.runtime.store import Store, StoreUnavailable
from services.runtime.tables import INBOX, METADATA
from tests.servers.polling import wait_until

_ROW = {"service": "test", "message_id": "1", "handled_at": datetime.now(UTC)}


def _count(store: Store) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(INBOX)) or 0)


def test_an_empty_store_is_brought_to_the_newest_schema_and_back(empty_database_url: str) -> None:
    store = Store(empty_database_url)
    assert current_revision(store) is None

    assert migrate(store) == wanted_revision()
    assert migrate(store) == wanted_revision(), "a second run changes nothing"

    go_back(store, "base")
    assert current_revision(store) is None
    store.close()


def test_the_migrations_make_the_tables_that_the_services_use(empty_database_url: str) -> None:
    for point in entry_points(group="gomphosis.services"):
        import_module(point.value.split(":")[0])
    store = Store(empty_database_url)
    migrate(store)

    with store.read() as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": "gomphosis_version", "compare_type": True}
        )
        differences = compare_metadata(context, METADATA)

    assert differences == []
    store.close()


def test_an_error_rolls_the_whole_transaction_back(database_url: str) -> None:
    store = Store(database_url)
    migrate(store)

    with pytest.raises(LookupError), store.begin() as connection:  # noqa: PT012
        connection.execute(insert(INBOX), [_ROW])
        raise LookupError

    assert _count(store) == 0
    store.close()


def test_a_time_comes_back_in_utc_whatever_the_backend(database_url: str) -> None:
    store = Store(database_url)
    migrate(store)
    with store.begin() as connection:
        connection.execute(insert(INBOX), [_ROW])

    with store.read() as connection:
        found = connection.scalar(select(INBOX.c.handled_at))

    assert found == _ROW["handled_at"]
    assert found is not None
    assert found.utcoffset() is not None
    store.close()


def test_only_one_holds_an_exclusive_claim(database_url: str) -> None:
    first, second = Store(database_url), Store(database_url)
    migrate(first)

    with first.exclusive("relay") as mine, second.exclusive("relay") as theirs:
        assert (bool(mine), bool(theirs)) == (True, False)
    with second.exclusive("relay") as theirs:
        assert theirs
    first.close()
    second.close()


def test_the_claim_of_a_killed_process_ends_with_it(database_url: str, tmp_path: Path) -> None:
    store = Store(database_url)
    migrate(store)
    held = tmp_path / "held"
    code = (
        "import sys, time, pathlib\n"
        "from services.runtime.store import Store\n"
        "with Store(sys.argv[1]).exclusive('relay') as mine:\n"
        "    pathlib.Path(sys.argv[2]).write_text(str(bool(mine)))\n"
        "    time.sleep(60)\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code, database_url, str(held)])
    wait_until(held.exists, 20, "the child holds the claim")
    with store.exclusive("relay") as mine:
        assert not mine

    child.kill()
    child.wait()

    def free_again() -> bool:
        with store.exclusive("relay") as mine:
            return bool(mine)

    wait_until(free_again, 20, "the claim is free again")
    store.close()


def test_a_store_that_cannot_be_reached_says_so(tmp_path: Path) -> None:
    store = Store("postgresql+psycopg://nobody@127.0.0.1:1/none")

    with pytest.raises(StoreUnavailable, match="store: expected it to take our work"):
        store.begin().__enter__()
