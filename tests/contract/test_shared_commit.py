"""Works of many threads in few transactions: each gets its own result, or its own error."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier, Event

import pytest
from sqlalchemy import Column, Connection, Integer, MetaData, Table, func, insert, select

from services.intake.shared_commit import SharedCommit
from services.runtime.store import Store, StoreUnavailable

NUMBER = Table("number", MetaData(), Column("value", Integer, primary_key=True))
WORKERS = 8


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = Store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    with made.begin() as connection:
        NUMBER.create(connection)
    yield made
    made.close()


def kept(store: Store) -> set[int]:
    with store.read() as connection:
        return set(connection.execute(select(NUMBER.c.value)).scalars())


def keep(connection: Connection, value: int) -> int:
    connection.execute(insert(NUMBER).values(value=value))
    return value


def test_each_thread_gets_its_own_result_once_it_is_committed(store: Store) -> None:
    commits = SharedCommit(store)

    def work(value: int) -> bool:
        result = commits.run(lambda connection: keep(connection, value))
        return result == value and value in kept(store)

    with ThreadPoolExecutor(WORKERS) as pool:
        assert all(pool.map(work, range(200)))
    assert kept(store) == set(range(200))


def test_an_error_is_raised_where_it_belongs_and_harms_no_other(store: Store) -> None:
    # given: works that wait together behind one that is held up
    commits = SharedCommit(store)
    begun, go_on = Event(), Event()

    def held_up(connection: Connection) -> int:
        begun.set()
        assert go_on.wait(60)
        return keep(connection, 1000)

    def work(value: int) -> int:
        def do(connection: Connection) -> int:
            keep(connection, value)
            if value == 3:
                raise ArithmeticError("three")
            return value

        together.wait(60)
        return commits.run(do)

    together = Barrier(WORKERS + 1)
    with ThreadPoolExecutor(WORKERS + 1) as pool:
        first = pool.submit(commits.run, held_up)
        assert begun.wait(60)
        others = [pool.submit(work, value) for value in range(WORKERS)]
        together.wait(60)

        # when
        go_on.set()

        # then
        assert first.result(60) == 1000
        for value, other in enumerate(others):
            if value == 3:
                with pytest.raises(ArithmeticError, match="three"):
                    other.result(60)
            else:
                assert other.result(60) == value
    assert kept(store) == {1000, *range(WORKERS)} - {3}


def test_a_result_of_nothing_is_a_result(store: Store) -> None:
    assert SharedCommit(store).run(lambda _connection: None) is None


def test_a_store_that_is_away_is_told_to_each(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    store = Store(f"sqlite:///{tmp_path / 'folder'}")
    commits = SharedCommit(store)

    for _ in range(2):
        with pytest.raises(StoreUnavailable):
            commits.run(lambda connection: connection.scalar(select(func.count())))
    store.close()
