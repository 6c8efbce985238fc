"""The DCMTK tools: an independent implementation of DICOM to test against."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Sequence
from pathlib import Path

from tests.servers.missing import missing
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.private import PrivateServer, plain_environment
from tests.servers.processes import end, wait_until_gone

REMEDY = "apt-get install dcmtk"
TOOLS = (
    "echoscu",
    "storescu",
    "findscu",
    "storescp",
    "dcmdump",
    "dump2dcm",
    "dcmconv",
    "dsrdump",
)
TIMEOUT_S = 60.0


class Dcmtk:
    """Runs DCMTK's programs.

    Parameters
    ----------
    paths
        Where each program lies; see `find_dcmtk`.
    """

    def __init__(self, paths: dict[str, Path]) -> None:
        self._paths = paths

    def path(self, tool: str) -> Path:
        """Return where a program lies."""
        return self._paths[tool]

    def run(
        self, tool: str, arguments: Sequence[str | Path], timeout_s: float = TIMEOUT_S
    ) -> subprocess.CompletedProcess[str]:
        """Run a program to its end and return exit code and output; both streams are in `stdout`.

        The exit code is not judged here: a refusal may be just what a test wants to see.
        """
        return subprocess.run(
            [str(self._paths[tool]), *map(str, arguments)],
            env=dcmtk_environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            timeout=timeout_s,
            check=False,
        )


class StoreScp(PrivateServer):
    """DCMTK's receiver on a free port; what it gets lies in `received`.

    Parameters
    ----------
    dcmtk
        The tools.
    options
        Further options of `storescp`, for instance ``("--max-pdu", "131072", "+B")``.
    ae_title
        Its application entity title, at most 16 characters.
    """

    name = "storescp"

    def __init__(self, dcmtk: Dcmtk, options: Sequence[str] = (), ae_title: str = "TEST") -> None:
        super().__init__()
        self.port = free_port()
        self.ae_title = ae_title
        self.received = self.folder / "received"
        self.received.mkdir()
        self._dcmtk = dcmtk
        self._options = list(options)

    @property
    def url(self) -> str:
        """Address in the manner ``dicom://TITLE@host:port``, for messages only."""
        return f"dicom://{self.ae_title}@{LOOPBACK}:{self.port}"

    def start(self) -> None:
        """Start, and return once it answers C-ECHO."""
        if self._runs():
            return
        command = [str(self._dcmtk.path("storescp")), "--aetitle", self.ae_title]
        command += ["--output-directory", str(self.received), *self._options, str(self.port)]
        self._process = self._spawn(command, dcmtk_environment(), self.folder)
        wait_until(self._answers_echo, TIMEOUT_S, "storescp to answer C-ECHO")

    def stop(self) -> None:
        """End it and wait until it is gone."""
        if self._process is not None:
            end(self._process.pid, signal.SIGTERM, TIMEOUT_S, "storescp")
            self._reap()
        wait_until_gone(self.folder, TIMEOUT_S, apart_from=frozenset())

    def kill(self) -> None:
        """End it by SIGKILL, then start again on the same folder."""
        if self._process is None:
            raise RuntimeError("storescp is not running: call start() before kill()")
        end(self._process.pid, signal.SIGKILL, TIMEOUT_S, "storescp")
        self._reap()
        self.start()

    def _answers_echo(self) -> bool:
        self._still_runs()
        echo = ["--timeout", "2", "--call", self.ae_title, LOOPBACK, str(self.port)]
        return self._dcmtk.run("echoscu", echo).returncode == 0


def find_dcmtk() -> Dcmtk:
    """Return DCMTK's programs; without them skip, or fail in CI."""
    paths = {tool: _dcmtk_program(tool) for tool in TOOLS}
    absent = [tool for tool, path in paths.items() if path is None]
    if absent:
        missing(f"DCMTK ({', '.join(absent)})", REMEDY)
    return Dcmtk({tool: path for tool, path in paths.items() if path is not None})


def dcmtk_environment() -> dict[str, str]:
    """Return the environment for DCMTK's programs.

    `TCP_NODELAY=1` makes DCMTK switch Nagle's algorithm off; else each image waits for a delayed
    acknowledgement (DCMTK, `config/docs/envvars.txt`).
    """
    return plain_environment() | {"TCP_NODELAY": "1"}


def _dcmtk_program(tool: str) -> Path | None:
    """Find DCMTK's program; pynetdicom installs scripts of the same names, which are not meant."""
    for folder in [*os.get_exec_path(), "/usr/bin", "/usr/local/bin"]:
        found = shutil.which(tool, path=folder)
        if found and _is_dcmtk(found):
            return Path(found)
    return None


def _is_dcmtk(program: str) -> bool:
    said = subprocess.run(
        [program, "--version"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=TIMEOUT_S,
        check=False,
    )
    return b"$dcmtk:" in said.stdout
