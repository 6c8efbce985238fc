"""Faults of the broker and of the database."""

from __future__ import annotations

import os
import random
import signal
import subprocess
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import psycopg

from tests.bench.workplace import without_driver
from tests.faults.deployment import Deployment
from tests.faults.fault import Begun, CannotBegin, Kind, at_once
from tests.servers.private import PrivateServer

DATABASE, BROKER = "database", "broker"


def _crash_broker(place: Deployment, _chance: random.Random) -> Begun:
    _bring_down(place.broker, place.broker.crash)
    return Begun("SIGKILL to the node", place.broker.start)


def _restart_broker(place: Deployment, _chance: random.Random) -> Begun:
    _bring_down(place.broker, place.broker.stop)
    return Begun("stopped in good order", place.broker.start)


def _block_broker(place: Deployment, _chance: random.Random) -> Begun:
    place.broker.block()
    return Begun("memory alarm: publishers are blocked", place.broker.unblock)


def _crash_database(place: Deployment, _chance: random.Random) -> Begun:
    _bring_down(place.database, place.database.crash)
    return Begun("SIGKILL to the postmaster", place.database.start)


def _restart_database(place: Deployment, _chance: random.Random) -> Begun:
    _bring_down(place.database, place.database.stop)
    return Begun("fast shutdown", place.database.start)


def _crash_backend(place: Deployment, chance: random.Random) -> Begun:
    pid = chance.choice(_backends(place))
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    return Begun("SIGKILL to one backend: the server recovers, all sessions are lost")


def _end_sessions(place: Deployment, chance: random.Random) -> Begun:
    backends = _backends(place)
    chosen = chance.sample(backends, max(1, len(backends) * chance.choice((1, 3, 10)) // 10))
    try:
        with _session(place) as session:
            for pid in chosen:
                session.execute("SELECT pg_terminate_backend(%s)", (pid,))
    except psycopg.OperationalError as error:
        raise CannotBegin(str(error)) from error
    return Begun(f"{len(chosen)} of {len(backends)} sessions ended by pg_terminate_backend")


def _freeze_database(place: Deployment, _chance: random.Random) -> Begun:
    place.database.freeze()
    return Begun("SIGSTOP to every process", place.database.thaw)


def _fail_over(place: Deployment, _chance: random.Random) -> Begun:
    """As clients see one: all connections are cut, none is taken until the server is there anew."""
    place.lines.refuse("database", on=True)

    def is_there() -> None:
        place.database.start()
        place.lines.refuse("database", on=False)

    try:
        _bring_down(place.database, place.database.crash)
    except CannotBegin:
        is_there()
        raise
    return Begun("cut off, killed, and recovered before anybody is let in", is_there)


def _bring_down(server: PrivateServer, how: Callable[[], None]) -> None:
    """Bring a server down; where that does not work as it should, have it run all the same."""
    try:
        how()
    except (RuntimeError, OSError, AssertionError, subprocess.SubprocessError) as error:
        server.start()
        raise CannotBegin(repr(error)) from error


def _backends(place: Deployment) -> list[int]:
    query = (
        "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' "
        "AND pid <> pg_backend_pid() AND datname = current_database() ORDER BY pid"
    )
    try:
        with _session(place) as session:
            found = [int(row[0]) for row in session.execute(query).fetchall()]
    except psycopg.OperationalError as error:
        raise CannotBegin(str(error)) from error
    if not found:
        raise CannotBegin("no session")
    return found


def _session(place: Deployment) -> psycopg.Connection[Any]:
    url = without_driver(place.doors.store_url)
    return psycopg.connect(url, autocommit=True, connect_timeout=10)


SERVER_FAULTS = (
    Kind("broker killed (-9)", BROKER, (0.0, 6.0), _crash_broker),
    Kind("broker restarted", BROKER, (0.0, 4.0), _restart_broker),
    Kind("broker out of memory", BROKER, (1.0, 10.0), _block_broker),
    Kind("database killed (-9)", DATABASE, (0.0, 6.0), _crash_database),
    Kind("database restarted", DATABASE, (0.0, 4.0), _restart_database),
    Kind("database backend killed (-9)", DATABASE, at_once(), _crash_backend),
    Kind("database sessions ended", DATABASE, at_once(), _end_sessions),
    Kind("database frozen", DATABASE, (1.0, 15.0), _freeze_database),
    Kind("database fails over", DATABASE, (2.0, 8.0), _fail_over),
)
