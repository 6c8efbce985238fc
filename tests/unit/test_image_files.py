"""Files get their names once, durably, and never another's."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event

import pytest
from pydicom.uid import ExplicitVRLittleEndian

from services.intake import image_files, shared_sync
from services.intake.image_files import ImageFolder, IncomingFile
from services.intake.shared_sync import SharedSync
from services.runtime.folders import sync_folder
from tests.intake_support import INTRAORAL

WANTED = Path("north/2026/03/02/2.25.1.dcm")


@pytest.fixture(params=["renamed", "linked"])
def folder(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> ImageFolder:
    """A folder where the system renames without replacing, and one where it cannot."""
    if request.param == "linked":
        monkeypatch.setattr(image_files, "_RENAME", None)
    return ImageFolder(tmp_path, 0, 1_000_000)


def written(folder: ImageFolder, data: bytes) -> IncomingFile:
    file = folder.new_file()
    file.begin(INTRAORAL, "2.25.1", ExplicitVRLittleEndian)
    file.write(data)
    return file


def test_a_published_file_has_its_name_and_no_other(folder: ImageFolder) -> None:
    assert folder.publish(written(folder, b"first"), WANTED) == WANTED
    assert [path for path in folder.root.rglob("*") if path.is_file()] == [folder.root / WANTED]
    assert (folder.root / WANTED).read_bytes().endswith(b"first")


def test_the_same_content_again_stays_as_it_lies(folder: ImageFolder) -> None:
    folder.publish(written(folder, b"first"), WANTED)
    before = (folder.root / WANTED).stat().st_ino
    assert folder.publish(written(folder, b"first"), WANTED) == WANTED
    assert (folder.root / WANTED).stat().st_ino == before
    assert list((folder.root / "incoming").iterdir()) == []


def test_another_content_under_a_known_name_is_kept_beside_it(folder: ImageFolder) -> None:
    folder.publish(written(folder, b"first"), WANTED)
    beside = folder.publish(written(folder, b"other"), WANTED)
    assert beside != WANTED
    assert (folder.root / WANTED).read_bytes().endswith(b"first")
    assert (folder.root / beside).read_bytes().endswith(b"other")


def test_a_file_that_the_disk_does_not_let_go_is_left_to_the_next_start(
    folder: ImageFolder,
) -> None:
    # given: a disk that takes no change any more; as root only another thing at its place is one
    file = written(folder, b"first")
    incoming, aside = folder.root / "incoming", folder.root / "aside"
    incoming.rename(aside)
    incoming.write_bytes(b"")

    file.discard()
    never_begun = folder.new_file()
    never_begun.begin(INTRAORAL, "2.25.2", ExplicitVRLittleEndian)
    assert isinstance(never_begun.failure, OSError)

    # when: it is mended, and intake starts again
    incoming.unlink()
    aside.rename(incoming)
    assert folder.remove_leftovers() == 1
    assert list(incoming.iterdir()) == []


def test_a_name_that_cannot_be_had_is_an_error_and_the_file_stays(folder: ImageFolder) -> None:
    file = written(folder, b"first")
    with pytest.raises(FileNotFoundError):
        file.give_name(folder.root / "no such folder" / "2.25.1.dcm")
    assert file.path.exists()
    file.discard()
    assert not file.path.exists()


def test_who_comes_while_a_folder_is_synced_shares_the_next_sync(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: a sync that is held up
    begun, go_on, syncs = Event(), Event(), []

    def held_up(folder: Path) -> None:
        syncs.append(folder)
        begun.set()
        assert go_on.wait(60)
        sync_folder(folder)

    monkeypatch.setattr(shared_sync, "sync_folder", held_up)
    shared = SharedSync()
    with ThreadPoolExecutor(9) as pool:
        calls = [pool.submit(shared.sync, tmp_path)]
        assert begun.wait(60)

        # when: eight more ask meanwhile
        calls += [pool.submit(shared.sync, tmp_path) for _ in range(8)]
        while shared.asked < 9:
            assert not calls[0].done()
        go_on.set()
        for call in calls:
            call.result(60)

    # then: not one of them took the sync that had begun before, and one was enough for all
    assert syncs == [tmp_path, tmp_path]


def test_a_folder_that_cannot_be_synced_is_told_to_each_who_asks(tmp_path: Path) -> None:
    shared = SharedSync()
    for _ in range(2):
        with pytest.raises(FileNotFoundError):
            shared.sync(tmp_path / "gone")
