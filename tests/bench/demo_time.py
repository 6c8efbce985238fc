"""How long ``make demo`` takes on a fresh clone: first with the install, then without."""

from __future__ import annotations

import os
import time
from pathlib import Path

from tests.bench.figures import Figure, Options
from tests.bench.workplace import ROOT, Child, Workplace, discard

CLONE_TIMEOUT_S = 60.0
DEMO_TIMEOUT_S = 600.0
# Whatever points at another Python environment must not reach the clone.
LEFT_BEHIND = ("GOMPHOSIS_", "PYTHON", "VIRTUAL_ENV", "MAKE", "MFLAGS")


def measure(options: Options, place: Workplace) -> Figure:
    """Clone what is committed, run the demo twice."""
    figure = Figure("demo-time", "a fresh clone and its invented day", rates=False)
    figure.remarks = [
        "the clone holds what is committed, nothing else",
        "the install fetches from the configured package index, or takes from pip's cache what "
        "lies there: the first round on a machine is slower",
    ]
    for _ in range(options.rounds):
        folder = place.subfolder("clone")
        clone = folder / "repository"
        _run(["git", "clone", "--quiet", str(ROOT), str(clone)], folder, ROOT, CLONE_TIMEOUT_S)
        for setting in ("make demo with install", "make demo again"):
            took_s = _run(["make", "demo"], folder, clone, DEMO_TIMEOUT_S)
            figure.note("gomphosis", setting, "s", took_s, ours=True)
        environment = sum(f.lstat().st_size for f in (clone / ".venv").rglob("*"))
        figure.note("gomphosis", "environment on disk", "MB", environment / 1e6, ours=True)
        discard(folder)
    return figure


def _run(command: list[str], folder: Path, where: Path, timeout_s: float) -> float:
    inherited = {k: v for k, v in os.environ.items() if not k.startswith(LEFT_BEHIND)}
    began = time.monotonic()
    child = Child("-".join(command[:2]), command, inherited, folder, where)
    try:
        child.finish(timeout_s)
    finally:
        child.kill()
    return time.monotonic() - began
