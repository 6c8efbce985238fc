"""Writers of one SQLite file take turns, whatever thread or process they are in."""

from __future__ import annotations

import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import Column, Integer, MetaData, Table, insert, select, update

from services.runtime import store as store_module
from services.runtime.store import Store, StoreUnavailable

COUNT = Table("count", MetaData(), Column("value", Integer, nullable=False))
HOLDER = """
import sys
from services.runtime.store import Store
with Store(sys.argv[1]).begin():
    print("holds", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def url(tmp_path: Path) -> str:
    url = f"sqlite:///{tmp_path / 'store.sqlite'}"
    store = Store(url)
    with store.begin() as connection:
        COUNT.create(connection)
        connection.execute(insert(COUNT).values(value=0))
    store.close()
    return url


def add_one(store: Store) -> None:
    with store.begin() as connection:
        value = connection.execute(select(COUNT.c.value)).scalar_one()
        connection.execute(update(COUNT).values(value=value + 1))


def holder(url: str) -> subprocess.Popen[bytes]:
    """Start a process that holds a write transaction."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, url],
        cwd=Path(__file__).parents[2],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"holds\n"
    return process


def test_no_write_of_many_threads_on_two_stores_is_lost(url: str) -> None:
    stores = [Store(url), Store(url)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda number: add_one(stores[number % 2]), range(100)))
    with stores[0].read() as connection:
        assert connection.scalar(select(COUNT.c.value)) == 100
    for store in stores:
        store.close()


def test_a_turn_ends_with_the_process_that_was_killed_in_it(url: str) -> None:
    process = holder(url)
    store = Store(url)
    with ThreadPoolExecutor(1) as pool:
        call = pool.submit(add_one, store)
        process.send_signal(signal.SIGKILL)
        process.wait(60)
        call.result(60)
    store.close()


def test_who_waits_too_long_is_told_that_the_store_is_unavailable(
    url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_module, "_BUSY_TIMEOUT_MS", 50)
    process = holder(url)
    store = Store(url)
    with pytest.raises(StoreUnavailable):
        add_one(store)
    process.communicate(b"")
    add_one(store)
    store.close()


def test_a_turn_is_given_back_after_an_error(url: str) -> None:
    store = Store(url)
    with pytest.raises(ArithmeticError), store.begin():
        raise ArithmeticError
    add_one(store)
    store.close()
