"""Which adapter the settings choose."""

from __future__ import annotations

from pathlib import Path

import pytest

from services.records.adapters.choose import open_record
from services.records.adapters.folder import FolderAdapter
from services.records.port import (
    RecordError,
    RecordOptionError,
)
from services.runtime.settings import RecordsSettings, Settings


def test_an_unknown_option_is_refused_by_name() -> None:
    with pytest.raises(RecordOptionError, match=r"records\.options\.paht"):
        FolderAdapter({"paht": "x"})


def test_the_adapter_is_chosen_by_the_settings(tmp_path: Path) -> None:
    record = open_record(Settings(data_dir=tmp_path))

    assert isinstance(record, FolderAdapter)
    assert record.path == tmp_path / "record"


def test_an_unknown_adapter_is_refused_with_those_that_exist(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="folder"):
        open_record(Settings(data_dir=tmp_path, records=RecordsSettings(adapter="unheard-of")))
