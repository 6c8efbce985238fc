"""The units hold by systemd's own check, name all services, and keep each in a small room."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from services.runtime.service import service_names
from services.runtime.settings import load_settings

FOLDER = Path(__file__).parents[2] / "services" / "runtime" / "operations" / "systemd"
UNITS = sorted(path.name for path in FOLDER.iterdir())
PROGRAMS = [name for name in UNITS if name.endswith(".service")]


def values(unit: str, name: str) -> list[str]:
    return re.findall(rf"^{name}=(.*)$", (FOLDER / unit).read_text(), re.MULTILINE)


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units with a program that is there, since the check looks for it."""
    program = tmp_path / "gomphosis"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for name in UNITS:
        text = (FOLDER / name).read_text().replace("/opt/gomphosis/bin/gomphosis", str(program))
        (tmp_path / name).write_text(text)
    return tmp_path


def systemd(*arguments: str, units: Path) -> subprocess.CompletedProcess[str]:
    """Run systemd-analyze, which needs no running systemd for this."""
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("no systemd here")
    return subprocess.run(
        [program, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": "/usr/bin:/bin", "SYSTEMD_UNIT_PATH": f"{units}:"},
    )


def test_systemd_finds_nothing_wrong_with_them(installed: Path) -> None:
    named = [str(installed / name.replace("@.", "@intake.")) for name in UNITS]

    told = systemd("verify", "--man=no", *named, units=installed)

    own = [line for line in told.stderr.splitlines() if "gomphosis" in line]
    assert (told.returncode, own) == (0, []), told.stderr


def test_a_misspelt_setting_of_a_unit_is_found_out(installed: Path) -> None:
    unit = installed / "gomphosis.service"
    unit.write_text(unit.read_text().replace("ProtectSystem=", "ProtectSistem="))

    told = systemd("verify", "--man=no", str(unit), units=installed)

    assert "ProtectSistem" in told.stderr


@pytest.mark.parametrize("unit", PROGRAMS)
def test_a_service_runs_as_nobody_special_and_writes_to_its_own_folder_only(unit: str) -> None:
    assert values(unit, "User") == ["gomphosis"]
    assert values(unit, "ProtectSystem") == ["strict"]
    assert values(unit, "CapabilityBoundingSet") == [""]
    assert values(unit, "NoNewPrivileges") == ["yes"]
    assert not re.search(
        r"(?i)password|token=",
        (FOLDER / unit).read_text().split("[Service]")[1].replace("# Passwords and tokens", ""),
    )


def test_the_group_starts_every_service_that_there_is() -> None:
    wanted = " ".join(values("gomphosis.target", "Wants"))

    assert sorted(re.findall(r"gomphosis@(\w+)\.service", wanted)) == service_names()


@pytest.mark.parametrize("unit", PROGRAMS)
def test_what_a_unit_sets_is_a_setting_that_we_know(
    unit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for pair in values(unit, "Environment"):
        name, _, value = pair.partition("=")
        monkeypatch.setenv(name, value)

    assert load_settings().data_dir == Path("/var/lib/gomphosis")
