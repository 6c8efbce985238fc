"""A new adapter's package is laid out with its name, and nothing is written over."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from schemas.errors import InvalidInput
from services.records.new_adapter import lay_out


def test_the_name_is_filled_in_everywhere(tmp_path: Path) -> None:
    written = lay_out("my-clinic-2", tmp_path / "new")

    assert all(path.is_file() for path in written)
    project = tomllib.loads((tmp_path / "new" / "pyproject.toml").read_text())["project"]
    assert project["name"] == "gomphosis-record-my-clinic-2"
    assert project["entry-points"]["gomphosis.record_adapters"] == {
        "my-clinic-2": "gomphosis_record_my_clinic_2:MyClinic2Adapter"
    }
    for path in written:
        assert "{{" not in path.read_text(), path


@pytest.mark.parametrize("name", ["", "My", "2nd", "a b", "a--b", "-a", "a-", "../x", "x" * 41])
def test_a_name_that_cannot_be_one_is_refused_and_nothing_is_written(
    tmp_path: Path, name: str
) -> None:
    with pytest.raises(InvalidInput, match="lower-case letters"):
        lay_out(name, tmp_path / "new")

    assert list(tmp_path.iterdir()) == []


def test_a_name_that_is_taken_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="no installed adapter has"):
        lay_out("folder", tmp_path / "new")


def test_nothing_is_overwritten_and_nothing_is_written_beside(tmp_path: Path) -> None:
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_contract.py").write_text("mine")

    with pytest.raises(InvalidInput, match="test_contract"):
        lay_out("clinic", tmp_path)

    assert (tmp_path / "tests" / "test_contract.py").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["tests"]
