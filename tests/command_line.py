"""Run ``gomphosis`` as a person types it, in an environment of the test's own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

DEMO_GROUP = Path(__file__).parents[1] / "demo" / "group"


def own_environment(folder: Path, group_dir: Path = DEMO_GROUP) -> dict[str, str]:
    """Give an environment whose data lie in ``data`` of the test's folder."""
    own = {
        "GOMPHOSIS_DATA_DIR": str(folder / "data"),
        "GOMPHOSIS_GROUP_DIR": str(group_dir),
        "COLUMNS": "200",
    }
    return dict(os.environ) | own


def gomphosis(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; its exit code is the test's to judge."""
    return subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
