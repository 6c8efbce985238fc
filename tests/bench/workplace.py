"""The bench's own folder, its servers and its child processes: all of it ends with the run."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import urlsplit, urlunsplit

from tests.bench.figures import BenchError
from tests.servers import postgresql, rabbitmq
from tests.servers.dcmtk import Dcmtk, find_dcmtk
from tests.servers.private import plain_environment
from tests.servers.reaper import Reaper

ROOT = Path(__file__).parents[2]
FOLDER_VARIABLE = "GOMPHOSIS_TEST_BENCH_FOLDER"
STOP_TIMEOUT_S = 30.0
LOG_TAIL_LINES = 15


class Workplace:
    """A folder that goes at the end, and the private servers, started when first asked for."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="gomphosis-bench-"))
        self.broker_in_use: rabbitmq.RabbitMQ | rabbitmq.GivenBroker | None = None
        self.database_in_use: postgresql.PostgreSQL | postgresql.GivenDatabase | None = None
        self.dcmtk_in_use: Dcmtk | None = None
        self._reaper = Reaper(self.folder)
        self._subfolders = 0

    def broker(self) -> rabbitmq.RabbitMQ | rabbitmq.GivenBroker:
        """Return RabbitMQ, as the tests start it."""
        if self.broker_in_use is None:
            self.broker_in_use = rabbitmq.open_broker()
        return self.broker_in_use

    def database(self) -> postgresql.PostgreSQL | postgresql.GivenDatabase:
        """Return PostgreSQL, as the tests start it: with its syncs on."""
        if self.database_in_use is None:
            self.database_in_use = postgresql.open_database_server(outlives_power_cuts=True)
        return self.database_in_use

    def dcmtk(self) -> Dcmtk:
        """Return DCMTK's programs."""
        if self.dcmtk_in_use is None:
            self.dcmtk_in_use = find_dcmtk()
        return self.dcmtk_in_use

    def subfolder(self, name: str) -> Path:
        """Make a new empty folder."""
        self._subfolders += 1
        folder = self.folder / f"{self._subfolders:03d}-{name}"
        folder.mkdir()
        return folder

    def drop_vhost(self, url: str) -> None:
        """Remove a vhost, so that what lies in its queues weighs on nobody else's round."""
        if isinstance(self.broker_in_use, rabbitmq.RabbitMQ):
            name = urlsplit(url).path.removeprefix("/")
            self.broker_in_use.evaluate(f'ok = rabbit_vhost:delete(<<"{name}">>, <<"bench">>).')

    def close(self) -> None:
        """Stop the servers, end what is left, remove the folder."""
        try:
            for server in (self.broker_in_use, self.database_in_use):
                if server is not None:
                    server.close()
        finally:
            self._reaper.finish()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class Child:
    """A process of the bench, away from the terminal, with its output in a log."""

    def __init__(
        self,
        name: str,
        command: Sequence[str | Path],
        environment: Mapping[str, str],
        folder: Path,
        where: Path = ROOT,
    ) -> None:
        self.name = name
        self.log = folder / f"{name}.log"
        # The variable lets the reaper find the process if the bench is killed.
        own = {**plain_environment(), **environment, FOLDER_VARIABLE: str(folder)}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [str(word) for word in command],
                env=own,
                cwd=where,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def check(self) -> None:
        """Raise BenchError if it has ended."""
        code = self.process.poll()
        if code is not None:
            raise BenchError(f"{self.name} ended by itself with code {code}", self.last_words())

    def finish(self, timeout_s: float) -> None:
        """Wait until it ends by itself, well."""
        try:
            code = self.process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            self.kill()
            sentence = f"{self.name}: expected its end within {timeout_s:.0f} s"
            raise BenchError(sentence, self.last_words()) from error
        if code != 0:
            raise BenchError(f"{self.name}: expected exit code 0, got {code}", self.last_words())

    def stop(self, timeout_s: float = STOP_TIMEOUT_S) -> None:
        """End it in good order; what does not end is killed."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            self.kill()
            sentence = f"{self.name}: expected it to stop within {timeout_s:.0f} s"
            raise BenchError(sentence, self.last_words()) from error

    def kill(self) -> None:
        """End it and its children at once."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(10)

    def last_words(self) -> str:
        """Return the end of its log."""
        lines = self.log.read_text(errors="replace").splitlines()
        return "\n".join(lines[-LOG_TAIL_LINES:])


def python_module(module: str, *arguments: str) -> list[str]:
    """Return the command that runs a module in this environment."""
    return [sys.executable, "-m", module, *arguments]


def without_driver(url: str) -> str:
    """Turn SQLAlchemy's address into libpq's, which knows no driver name."""
    return urlunsplit(urlsplit(url)._replace(scheme="postgresql"))


def discard(folder: Path) -> None:
    """Remove a round's files, and let the disk finish with them before the next is measured."""
    shutil.rmtree(folder)
    os.sync()
