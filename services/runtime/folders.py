"""Folders whose names are durable: a file's own sync does not cover its name (fsync(2))."""

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make new names, and renames, in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
