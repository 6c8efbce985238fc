"""A record that is a folder, and the adapter to it."""

from __future__ import annotations

from pathlib import Path

import pytest

from services.records.adapters.folder import FolderAdapter


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "outer" / "record"


@pytest.fixture
def folder(root: Path) -> FolderAdapter:
    return FolderAdapter({"path": str(root)})
