"""A full disk or a store that is away: nothing is acknowledged, and the line goes on afterwards."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from services.runtime.store import StoreUnavailable
from tests.bad_input import (
    GOOD_OFFER,
    assert_facts_go_on,
    assert_images_go_on,
    assert_nothing_is_half,
    post,
)
from tests.intake_support import Intake, make_image, running_intake, send


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def test_too_little_free_space_is_answered_a700_and_nothing_is_kept(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", min_free_bytes=1 << 60) as intake:
        answer = send(intake.dicom_port, make_image())

        assert answer.Status == 0xA700
        assert "disk full" in answer.ErrorComment
        assert intake.kept_files() == []
        assert intake.facts() == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB that is really full when it is full."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"this machine mounts no tmpfs: {done.stderr.strip()}")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_is_answered_a700_and_the_line_goes_on_once_there_is_room(
    tmp_path: Path, small_disk: Path
) -> None:
    # given: images on the small disk, the store elsewhere
    data = tmp_path / "data"
    data.mkdir()
    (data / "images").symlink_to(small_disk)
    with running_intake(data) as intake:
        filler = small_disk / "filler"
        filler.write_bytes(b"x" * 1_000_000)
        large = make_image(Rows=512, Columns=512, PixelData=bytes(512 * 512 * 2))

        # when
        answer = send(intake.dicom_port, large)

        # then
        assert answer.Status == 0xA700
        assert "disk full" in answer.ErrorComment
        assert list((small_disk / "incoming").iterdir()) == []
        assert intake.facts() == []
        assert intake.triage() == []

        # when
        filler.unlink()

        # then
        assert send(intake.dicom_port, large).Status == 0x0000
        assert_images_go_on(intake)
        assert_nothing_is_half(intake)


def test_a_store_that_is_away_is_answered_a700_and_503_and_nothing_is_acknowledged(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: the store's file cannot be opened, as on a lost volume
    store = intake.runtime.store
    good = make_image(99)
    store.close()
    database = Path(str(store.url.database))
    away = database.with_suffix(".away")
    _move(database, away)
    database.mkdir()

    # when
    image_answer = send(intake.dicom_port, good)
    fact_answer = post(intake, json.dumps([GOOD_OFFER]).encode())

    # then
    assert image_answer.Status == 0xA700
    assert "store unavailable" in image_answer.ErrorComment
    assert fact_answer.status_code == 503
    assert fact_answer.headers["Retry-After"]
    with pytest.raises(StoreUnavailable):
        intake.facts()

    # when it is back
    store.close()
    database.rmdir()
    _move(away, database)

    # then
    assert intake.facts() == []
    assert_images_go_on(intake)
    assert_facts_go_on(intake)
    assert_nothing_is_half(intake)


def _move(source: Path, target: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path = Path(f"{source}{suffix}")
        if path.exists():
            path.rename(f"{target}{suffix}")
