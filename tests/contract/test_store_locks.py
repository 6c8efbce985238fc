"""Named locks of the store on PostgreSQL; SQLite's one write lock needs none of them."""

import threading
from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import text

from services.runtime.store import Store

pytestmark = pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
WAIT_S = 20.0


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    yield opened
    opened.close()


def waiting(store: Store) -> bool:
    """Whether somebody waits for an advisory lock now."""
    with store.read() as connection:
        query = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted"
        return bool(connection.scalar(text(query)))


def take(store: Store, shared: bool, taken: threading.Event) -> threading.Thread:
    def run() -> None:
        with store.begin() as connection:
            store.lock(connection, "matter", shared=shared)
            taken.set()

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_those_who_share_a_lock_do_not_wait_for_each_other(store: Store) -> None:
    taken = threading.Event()
    with store.begin() as connection:
        store.lock(connection, "matter", shared=True)
        thread = take(store, True, taken)
        assert taken.wait(WAIT_S)
    thread.join()


@pytest.mark.parametrize(("first", "second"), [(True, False), (False, True), (False, False)])
def test_one_who_wants_it_alone_waits_and_is_waited_for(
    store: Store, wait_until: Callable[..., object], first: bool, second: bool
) -> None:
    taken = threading.Event()
    with store.begin() as connection:
        store.lock(connection, "matter", shared=first)
        thread = take(store, second, taken)
        wait_until(lambda: waiting(store), WAIT_S, "the second to wait for the lock")
        assert not taken.is_set()
    assert taken.wait(WAIT_S)
    thread.join()


def test_a_claim_whose_session_was_ended_alone_is_another_s(
    store: Store, database_url: str, wait_until: Callable[..., object]
) -> None:
    other = Store(database_url)
    ended = (
        "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' "
        "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
    )
    with store.exclusive("poster") as mine:
        assert mine
        with other.begin() as connection:
            connection.execute(text(ended))

        # then: it is free for another, and who had it knows soon
        def is_taken() -> bool:
            with other.exclusive("poster") as theirs:
                return bool(theirs)

        wait_until(is_taken, WAIT_S, "the claim to be free")
        wait_until(lambda: not mine, WAIT_S, "the loss to be seen")
        with store.read() as connection:
            assert connection.scalar(text("SELECT 1")) == 1, "all else of the process goes on"
    with store.exclusive("poster") as mine:
        assert mine, "it can be claimed anew"
    other.close()


def test_both_ends_look_whether_the_other_is_still_there(store: Store, database_url: str) -> None:
    def told(one: Store, setting: str) -> str:
        with one.read() as connection:
            return str(connection.scalar(text(f"SHOW {setting}")))

    assert told(store, "tcp_keepalives_idle") == "15"
    assert told(store, "tcp_user_timeout") == "30000", "in ms"
    with store.engine.connect() as connection:
        driver = connection.connection.dbapi_connection
        assert driver is not None
        parameters = driver.info.get_parameters()
    assert (parameters["keepalives_idle"], parameters["tcp_user_timeout"]) == ("15", "30000")

    own = Store(f"{database_url}?options=-c%20tcp_keepalives_idle%3D40")
    assert told(own, "tcp_keepalives_idle") == "40", "what the URL says outranks"
    own.close()


def test_locks_taken_together_are_each_held_to_the_end(
    store: Store, wait_until: Callable[..., object]
) -> None:
    taken = threading.Event()
    with store.begin() as connection:
        store.lock_all(connection, {"other": False, "matter": True, "third": False})
        sharing = threading.Event()
        take(store, True, sharing).join()
        thread = take(store, False, taken)
        wait_until(lambda: waiting(store), WAIT_S, "the second to wait for the lock")
        assert sharing.is_set()
        assert not taken.is_set()
    assert taken.wait(WAIT_S)
    thread.join()
