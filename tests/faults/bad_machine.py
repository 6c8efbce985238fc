"""What a process's machine does wrong: a slow disk, a clock that jumps. See ``bad_machine.c``."""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

from tests.servers.missing import missing

SOURCE = Path(__file__).with_name("bad_machine.c")
VARIABLE = "GOMPHOSIS_TEST_BAD_MACHINE"
FORM = "qq"  # as the two integers stand in the C source


def build_library(folder: Path) -> Path:
    """Compile the library; without a C compiler skip, or fail in CI."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        missing("a C compiler", "apt-get install gcc")
    library = folder / "bad_machine.so"
    command = [compiler, "-O2", "-shared", "-fPIC", "-o", str(library), str(SOURCE), "-ldl"]
    subprocess.run(command, check=True)
    library.chmod(0o755)
    return library


class BadMachine:
    """The machine of one process; its children are on it too."""

    def __init__(self, library: Path, name: str) -> None:
        self._library = library
        self._file = library.with_name(f"{name}.machine")
        self._sync_s, self._ahead_s = 0.0, 0
        self._file.write_bytes(struct.pack(FORM, 0, 0))
        self._file.chmod(0o644)

    @property
    def environment(self) -> dict[str, str]:
        """What a process has to be started with to run on it."""
        return {"LD_PRELOAD": str(self._library), VARIABLE: str(self._file)}

    def slow_disk(self, sync_s: float) -> None:
        """Let each sync of the disk take so many seconds more."""
        self._sync_s = sync_s
        self._write()

    def wrong_clock(self, ahead_s: int) -> None:
        """Set the clock of the day so many seconds ahead, or behind."""
        self._ahead_s = ahead_s
        self._write()

    def _write(self) -> None:
        # In place: the processes have this file mapped.
        with self._file.open("r+b") as file:
            file.write(struct.pack(FORM, round(self._sync_s * 1e6), self._ahead_s))
