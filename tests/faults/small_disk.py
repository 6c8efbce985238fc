"""A disk of its own for the program's data, that can be full or read-only: a small tmpfs.

What is made durable there is so only for as long as the machine runs, which is what a kill of a
process needs. Slow syncs come from ``bad_machine``.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

SIZE_MB = 2_048
FILL_TRIES = 20


def can_mount() -> bool:
    """Tell whether we may mount; only root may."""
    return os.geteuid() == 0


class SmallDisk:
    """A mount; nothing but a folder where we may not mount."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.mounted = False

    def mount(self) -> None:
        """Mount it, if we may."""
        self.folder.mkdir(parents=True)
        if can_mount():
            options = f"size={SIZE_MB}m,mode=755"
            _run("mount", "-t", "tmpfs", "-o", options, "gomphosis-faults", str(self.folder))
            self.mounted = True

    def fill(self) -> None:
        """Let it be full: it is made as small as what it holds.

        Raises CalledProcessError where it grew meanwhile, again and again.
        """
        for left in reversed(range(FILL_TRIES)):
            held = os.statvfs(self.folder)
            used_blocks = held.f_blocks - held.f_bfree
            try:
                # A size of 0 would be none at all, for ever.
                self._remount(f"size={max(used_blocks, 1) * held.f_frsize}")
            except subprocess.CalledProcessError:
                if not left:
                    raise
            else:
                return

    def protect(self) -> None:
        """Let nobody write to it. Raises CalledProcessError while a file is open for writing."""
        self._remount("ro")

    def heal(self) -> None:
        """Give it back its size, and let it be written to."""
        self._remount(f"rw,size={SIZE_MB}m")

    def unmount(self) -> None:
        """Take it away with all that it holds."""
        if self.mounted:
            _run("umount", "--lazy", str(self.folder))
            self.mounted = False

    def _remount(self, options: str) -> None:
        _run("mount", "-o", f"remount,{options}", str(self.folder))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)
