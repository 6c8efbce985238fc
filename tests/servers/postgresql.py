"""A private PostgreSQL cluster, or one named in the environment."""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit, urlunsplit

import psycopg
from psycopg import sql

from tests.servers.missing import missing
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.private import PrivateServer, ServerStartError, plain_environment
from tests.servers.processes import end, wait_until_gone

URL_VARIABLE = "GOMPHOSIS_TEST_DATABASE_URL"
REMEDY = f"apt-get install postgresql, or set {URL_VARIABLE}"

# Debian keeps the server's programs off the path, one folder a major version.
DEBIAN_FOLDER = Path("/usr/lib/postgresql")
# PostgreSQL refuses to run as root; Debian's package makes this user.
UNPRIVILEGED_USER = "postgres"
ADMIN = "gomphosis_test"
START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 90.0
DRIVER = "postgresql+psycopg"

SETTINGS = {
    "listen_addresses": LOOPBACK,
    "max_connections": "100",
    "shared_buffers": "64MB",
    "dynamic_shared_memory_type": "mmap",
    "log_min_messages": "warning",
}


class Database(Protocol):
    """What a test may ask of PostgreSQL, private or not."""

    @property
    def url(self) -> str:
        """SQLAlchemy address of the maintenance database."""
        ...

    def create_database(self, like: str | None = None) -> str:
        """Make a database, empty or as another that nobody uses is; return its address."""
        ...

    def stop(self) -> None:
        """End in good order; open sessions are broken off."""
        ...

    def drop_database(self, url: str) -> None:
        """Remove a database that was made here, whoever still uses it."""
        ...

    def start(self) -> None:
        """Start, and return once connections are served."""
        ...

    def restart(self) -> None:
        """Stop and start on the same data."""
        ...

    def kill(self) -> None:
        """End by SIGKILL, then start on the same data."""
        ...


class PostgreSQL(PrivateServer):
    """A cluster of its own, reached over loopback with a password made for this run.

    Only with ``outlives_power_cuts`` does it wait for the disk. Without, it outlives kill -9 all
    the same, since what a process has written is the kernel's; and a stop, which would have to
    sync the hundreds of files of each test's database, takes no minutes. Benchmarks wait.
    """

    name = "postgresql"
    start_timeout_s = START_TIMEOUT_S
    stop_timeout_s = STOP_TIMEOUT_S

    def __init__(self, programs: Path, *, outlives_power_cuts: bool = False) -> None:
        super().__init__()
        self._fsync = "on" if outlives_power_cuts else "off"
        self.port = free_port()
        self._programs = programs
        self._password = secrets.token_urlsafe(16)
        self._user = UNPRIVILEGED_USER if os.geteuid() == 0 else None
        self._data = self.folder / "data"
        self.folder.chmod(0o700)
        if self._user is not None:
            shutil.chown(self.folder, self._user, self._user)

    @property
    def url(self) -> str:
        """SQLAlchemy address of the maintenance database."""
        return self._url_of("postgres")

    def create_database(self, like: str | None = None) -> str:
        """Make a database, empty or as another that nobody uses is; return its address."""
        return self._url_of(_create_database(self.url, like))

    def drop_database(self, url: str) -> None:
        """Remove a database that was made here; its hundreds of files go with it."""
        if self._runs():
            _drop_database(self.url, url)

    def start(self) -> None:
        """Start, the first time on a new cluster; return once connections are served."""
        if self._runs():
            return
        if not self._data.exists():
            self._make_cluster()
        command = [str(self._programs / "postgres"), "-D", str(self._data), "-p", str(self.port)]
        own = {"unix_socket_directories": str(self.folder), "fsync": self._fsync}
        for setting, value in (SETTINGS | own).items():
            command += ["-c", f"{setting}={value}"]
        self._process = self._spawn(command, plain_environment(), self.folder, self._user)
        wait_until(self._serves, self.start_timeout_s, "the private PostgreSQL to serve")

    def stop(self) -> None:
        """End in good order (fast shutdown: sessions are broken off), every process gone."""
        if self._process is not None:
            end(self._process.pid, signal.SIGINT, self.stop_timeout_s, "PostgreSQL")
            self._reap()
        wait_until_gone(self.folder, self.stop_timeout_s, apart_from=frozenset())

    def kill(self) -> None:
        """End the postmaster by SIGKILL (its children see that and end), then start again."""
        self.crash()
        self.start()

    def crash(self) -> None:
        """End the postmaster by SIGKILL, and stay away."""
        if self._process is None:
            raise RuntimeError("the private PostgreSQL is not running: call start() before kill()")
        end(self._process.pid, signal.SIGKILL, self.stop_timeout_s, "PostgreSQL")
        self._reap()
        wait_until_gone(self.folder, self.stop_timeout_s, apart_from=frozenset())

    def _make_cluster(self) -> None:
        password_file = self.folder / "password"
        password_file.write_text(self._password)
        password_file.chmod(0o600)
        if self._user is not None:
            shutil.chown(password_file, self._user, self._user)
        done = subprocess.run(
            [
                str(self._programs / "initdb"),
                f"--pgdata={self._data}",
                f"--username={ADMIN}",
                f"--pwfile={password_file}",
                "--auth=scram-sha-256",
                "--encoding=UTF8",
                "--locale=C.UTF-8",
                "--no-sync",
            ],
            env=plain_environment(),
            cwd=self.folder,
            user=self._user,
            group=self._user,
            extra_groups=None if self._user is None else [],
            capture_output=True,
            check=False,
        )
        password_file.unlink()
        if done.returncode:
            raise ServerStartError(self.name, (done.stdout + done.stderr).decode(errors="replace"))

    def _serves(self) -> bool:
        self._still_runs()
        try:
            psycopg.connect(_without_driver(self.url), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def _url_of(self, database: str) -> str:
        return f"{DRIVER}://{ADMIN}:{self._password}@{LOOPBACK}:{self.port}/{database}"


class GivenDatabase:
    """A PostgreSQL named in the environment. Nobody may stop it; its user may make databases."""

    def __init__(self, url: str) -> None:
        self._url = urlunsplit(urlsplit(url)._replace(scheme=DRIVER))
        self._made: list[str] = []

    @property
    def url(self) -> str:
        """SQLAlchemy address of the database as given."""
        return self._url

    def create_database(self, like: str | None = None) -> str:
        """Make a database beside the given one, as ``PostgreSQL`` does; return its address."""
        name = _create_database(self._url, like)
        url = urlunsplit(urlsplit(self._url)._replace(path=f"/{name}"))
        self._made.append(url)
        return url

    def drop_database(self, url: str) -> None:
        """Remove a database that was made here."""
        self._made.remove(url)
        _drop_database(self._url, url)

    def start(self) -> None:
        """Nothing to do: it runs."""

    def close(self) -> None:
        """Remove the databases that this run made."""
        while self._made:
            _drop_database(self._url, self._made.pop())

    def stop(self) -> None:
        """Refuse."""
        self._not_ours("stop")

    def restart(self) -> None:
        """Refuse."""
        self._not_ours("restart")

    def kill(self) -> None:
        """Refuse."""
        self._not_ours("kill")

    def _not_ours(self, verb: str) -> None:
        missing("a private PostgreSQL", f"unset {URL_VARIABLE}; this test must {verb} the database")


def open_database_server(*, outlives_power_cuts: bool = False) -> PostgreSQL | GivenDatabase:
    """Return a started PostgreSQL: the one of the environment, else a private one."""
    given = os.environ.get(URL_VARIABLE)
    if given:
        return GivenDatabase(given)
    server = PostgreSQL(require_postgresql(), outlives_power_cuts=outlives_power_cuts)
    try:
        server.start()
    except BaseException:
        server.close()
        raise
    return server


def require_postgresql() -> Path:
    """Return the folder of the server's programs; without them skip, or fail in CI."""
    programs = _newest_programs()
    if programs is None:
        missing("PostgreSQL", REMEDY)
    return programs


def _newest_programs() -> Path | None:
    folders = [
        folder / "bin"
        for folder in DEBIAN_FOLDER.glob("*")
        if folder.name.isdigit() and (folder / "bin" / "initdb").exists()
    ]
    if folders:
        return max(folders, key=lambda folder: int(folder.parent.name))
    found = shutil.which("initdb")
    return Path(found).resolve().parent if found else None


def _create_database(admin_url: str, like: str | None) -> str:
    name = f"test_{secrets.token_hex(6)}"
    template = "template1" if like is None else _name_in(like)
    with psycopg.connect(_without_driver(admin_url), autocommit=True) as session:
        session.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(
                sql.Identifier(name), sql.Identifier(template)
            )
        )
    return name


def _drop_database(admin_url: str, url: str) -> None:
    name = sql.Identifier(_name_in(url))
    with psycopg.connect(_without_driver(admin_url), autocommit=True) as session:
        session.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(name))


def _name_in(url: str) -> str:
    return urlsplit(url).path.removeprefix("/")


def _without_driver(url: str) -> str:
    """Turn SQLAlchemy's address into libpq's, which knows no driver name."""
    return urlunsplit(urlsplit(url)._replace(scheme="postgresql"))
