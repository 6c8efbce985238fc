"""Which adapter the settings choose."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from services.records.adapters.choose import ENTRY_POINTS, open_record
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


def chosen(name: str, folder: Path) -> Settings:
    return Settings(data_dir=folder, records=RecordsSettings(adapter=name))


def install(folder: Path, name: str, value: str, package: str = "invented-package") -> None:
    """Put a package's entry point into a folder, as an installer would."""
    told = folder / f"{package.replace('-', '_')}-1.0.dist-info"
    told.mkdir(parents=True)
    (told / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
    (told / "entry_points.txt").write_text(f"[{ENTRY_POINTS}]\n{name} = {value}\n")


def test_an_unknown_adapter_is_refused_with_those_that_exist(tmp_path: Path) -> None:
    with pytest.raises(RecordError) as told:
        open_record(chosen("unheard-of", tmp_path))

    for word in ("unheard-of", "fhir, folder, hl7", "gomphosis.record_adapters"):
        assert word in str(told.value)


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("import nowhere_at_all\n", "ModuleNotFoundError: No module named 'nowhere_at_all'"),
        ("1 / 0\n", "ZeroDivisionError: division by zero"),
        ("class Other: pass\n", "cannot be imported: AttributeError"),
        ("def Adapter(options): return None\n", "expected a class that derives from PatientRecord"),
        (
            "from services.records.port import PatientRecord\n"
            "class Adapter(PatientRecord):\n    def check(self): ...\n",
            "it lacks post_charge, post_note, read_charges, reverse_charge",
        ),
    ],
    ids=["its import fails", "it fails", "no such class", "no class", "verbs are missing"],
)
def test_an_adapter_that_cannot_be_used_is_named_with_its_cause_and_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str, said: str
) -> None:
    install(tmp_path, "broken", "broken_adapter:Adapter")
    (tmp_path / "broken_adapter.py").write_text(source)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "broken_adapter", raising=False)

    with pytest.raises(RecordError) as told:
        open_record(chosen("broken", tmp_path))

    known = ("broken_adapter:Adapter of invented-package", "fhir, folder, hl7", ENTRY_POINTS)
    for word in ("broken", said, *known):
        assert word in str(told.value)


def test_two_packages_that_bring_the_same_name_are_both_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for package in ("invented-one", "invented-other"):
        install(tmp_path, "twice", f"{package.replace('-', '_')}:Adapter", package)
    monkeypatch.syspath_prepend(tmp_path)

    with pytest.raises(RecordError, match=r"of invented-one, .* of invented-other"):
        open_record(chosen("twice", tmp_path))
