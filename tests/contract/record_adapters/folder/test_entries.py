"""The entries that the folder adapter keeps: whole, safe to name, once and for good."""

from __future__ import annotations

import json
import resource
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import NoteState
from services.records.adapters.file_names import file_name
from services.records.adapters.folder import FolderAdapter
from services.records.port import (
    ChargePosting,
    NotePosting,
    PeriodClosed,
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.records.suite import HOSTILE, RecordCases, accepted
from services.records.suite.given import Away, Open, Refuse
from services.records.suite.samples import STUDY, charge_posting, credit, entry, note, note_posting
from tests.contract.folder_drops import leave


class TestFolderAdapter(RecordCases):
    @pytest.fixture
    def open_record(self, root: Path) -> Open:
        return lambda: FolderAdapter({"path": str(root)})

    @pytest.fixture
    def refuse(self, root: Path) -> Refuse:
        """Leave the record's answer where the entry will lie."""

        def leave_answer(posting: ChargePosting | NotePosting, words: str) -> None:
            kind, study, name = "notes", STUDY, "1"
            if isinstance(posting, ChargePosting):
                kind, study = "charges", posting.study_instance_uid
                name = file_name(posting.key)
            answer = root / kind / posting.site / study / f"{name}.json.answer.json"
            leave(answer, {"outcome": "rejected", "words": words})

        return leave_answer

    @pytest.fixture
    def away(self, root: Path) -> Away:
        """Put a file where the folder was: nobody reads or writes in it, root neither."""

        @contextmanager
        def gone() -> Iterator[None]:
            kept = root.with_name("kept")
            root.mkdir(parents=True, exist_ok=True)
            root.rename(kept)
            root.write_bytes(b"")
            yield
            root.unlink()
            kept.rename(root)

        return gone

    @pytest.fixture
    def lose_next_answer(self) -> Callable[[], None]:
        pytest.skip("a folder has no answer that could be lost; see the killed poster")


@pytest.mark.parametrize("hostile", HOSTILE)
def test_a_hostile_identifier_cannot_leave_the_folder(
    folder: FolderAdapter, root: Path, hostile: str
) -> None:
    folder.post_charge(
        charge_posting(
            entry(1, posting_key=hostile), site=hostile[:64], study_instance_uid=hostile[:64]
        )
    )
    folder.post_note(
        note_posting(
            note().model_copy(update={"study_instance_uid": hostile[:64]}), site=hostile[:64]
        )
    )

    outside = [path for path in root.parent.parent.rglob("*") if not path.is_relative_to(root)]
    assert outside == [root.parent]
    depths = {len(path.relative_to(root).parts) for path in root.rglob("*.json") if path.is_file()}
    assert depths == {4}


@given(st.text(min_size=1, max_size=80), st.text(min_size=1, max_size=80))
def test_file_names_are_safe_and_different_for_different_identifiers(one: str, other: str) -> None:
    for name in (file_name(one), file_name(other)):
        assert "/" not in name
        assert "\x00" not in name
        assert not name.startswith(".")
        assert len(name.encode()) <= 160
    assert (file_name(one) == file_name(other)) == (one == other)


def test_a_kept_entry_carries_the_digest_of_its_content(folder: FolderAdapter, root: Path) -> None:
    reference = accepted(folder.post_charge(charge_posting()))

    held = json.loads((root / reference).read_text())

    canonical = json.dumps(
        held["content"], ensure_ascii=False, sort_keys=True, separators=(",", ":")
    )
    assert held["sha256"] == sha256(canonical.encode()).hexdigest()
    assert held["content"]["entry"]["amount"] == "38.00"


def test_a_note_lies_beside_its_manifest_to_read(folder: FolderAdapter, root: Path) -> None:
    reference = accepted(folder.post_note(note_posting(note(2, NoteState.SIGNED))))

    manifest = json.loads((root / reference).read_text())["content"]

    assert manifest["status"] == "final"
    assert manifest["note"]["signer"] == "vet-1"
    assert set(manifest["files"]) == {"2.html", "2.txt"}
    for name, digest in manifest["files"].items():
        body = ((root / reference).parent / name).read_bytes()
        assert sha256(body).hexdigest() == digest


def test_a_line_that_was_edited_by_hand_says_so(folder: FolderAdapter, root: Path) -> None:
    path = root / accepted(folder.post_charge(charge_posting()))
    path.write_text(path.read_text().replace('"38.00"', '"12.00"'))

    (held,) = folder.read_charges(study_instance_uid=STUDY)

    assert held.changed_by_hand
    assert str(held.amount) == "12.00"
    assert isinstance(folder.post_charge(charge_posting()), Rejected)


def test_a_damaged_entry_is_named_and_never_passed_over(folder: FolderAdapter, root: Path) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    (root / reference).write_text('{"layout": "gomph')

    with pytest.raises(RecordRefused, match=r"1\.json|%3A1"):
        folder.read_charges(study_instance_uid=STUDY)
    with pytest.raises(RecordRefused):
        folder.post_charge(charge_posting())


def test_an_entry_of_a_closed_period_is_put_off_to_the_next_and_what_is_held_stays(
    folder: FolderAdapter, root: Path
) -> None:
    held = accepted(folder.post_charge(charge_posting(entry(1))))
    leave(root / "periods.json", {"closed_through": "2026-03-31"})

    closed = folder.post_charge(charge_posting(entry(2)))
    reversal = folder.reverse_charge(charge_posting(credit(3, entry(1).posting_key)))

    assert isinstance(closed, PeriodClosed)
    assert (closed.next_open_day, closed.words) == (
        date(2026, 4, 1),
        "the books are closed through 2026-03-31",
    )
    assert reversal == closed
    assert accepted(folder.post_charge(charge_posting(entry(1)))) == held
    assert len(folder.read_charges(study_instance_uid=STUDY)) == 1
    accepted(folder.post_charge(charge_posting(entry(2), moved_to=closed.next_open_day)))


def test_a_file_of_periods_that_cannot_be_read_stops_the_posting(
    folder: FolderAdapter, root: Path
) -> None:
    leave(root / "periods.json", {"closed_through": "march"})

    with pytest.raises(RecordRefused, match=r"periods\.json"):
        folder.post_charge(charge_posting())


def test_a_charge_is_reversed_once_only(folder: FolderAdapter) -> None:
    charge = entry(1)
    folder.post_charge(charge_posting(charge))
    accepted(folder.reverse_charge(charge_posting(credit(2, charge.posting_key))))

    answer = folder.reverse_charge(charge_posting(credit(3, charge.posting_key)))

    assert isinstance(answer, Rejected)
    assert "reversed already" in answer.words
    assert len(folder.read_charges(study_instance_uid=STUDY)) == 2


def test_many_writers_at_once_leave_one_entry_and_positions_in_a_row(root: Path) -> None:
    def post(number: int) -> str:
        adapter = FolderAdapter({"path": str(root)})
        return accepted(adapter.post_charge(charge_posting(entry(number % 10))))

    with ThreadPoolExecutor(8) as pool:
        references = set(pool.map(post, range(40)))

    positions = [
        json.loads(path.read_text())["position"] for path in root.glob("charges/*/*/*.json")
    ]
    assert len(references) == 10
    assert sorted(positions) == list(range(1, 11))
    assert not list(root.rglob("*.part"))


def test_what_a_killed_writer_left_half_is_written_anew(folder: FolderAdapter, root: Path) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    (root / reference).rename((root / reference).with_suffix(".json.part"))
    (root / reference).with_suffix(".json.part").write_text('{"half')

    assert list(folder.read_charges(study_instance_uid=STUDY)) == []
    assert accepted(folder.post_charge(charge_posting())) == reference
    assert len(folder.read_charges(study_instance_uid=STUDY)) == 1


def test_a_place_that_cannot_be_written_is_an_outage_with_its_remedy(tmp_path: Path) -> None:
    (tmp_path / "blocked").write_text("a file where a folder should be")
    adapter = FolderAdapter({"path": str(tmp_path / "blocked" / "record")})

    verdict = adapter.check()

    assert not verdict.ok
    assert "mend" in verdict.words
    with pytest.raises(RecordUnavailable, match="blocked"):
        adapter.post_charge(charge_posting())


def test_a_full_disk_is_an_outage_and_leaves_nothing_half(
    folder: FolderAdapter, root: Path
) -> None:
    folder.post_charge(charge_posting(entry(1)))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, hard))  # as of a disk with 100 bytes left
    try:
        with pytest.raises(RecordUnavailable, match="mend the disk"):
            folder.post_charge(charge_posting(entry(2)))
        with pytest.raises(RecordUnavailable, match="mend the disk"):
            folder.post_note(note_posting(note(1)))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    held = folder.read_charges(study_instance_uid=STUDY)
    assert [line.posting_key for line in held] == [entry(1).posting_key]
    assert not list(root.glob("notes/*/*/*.json"))
    accepted(folder.post_charge(charge_posting(entry(2))))
    accepted(folder.post_note(note_posting(note(1))))
    assert len(folder.read_charges(study_instance_uid=STUDY)) == 2
    assert not list(root.rglob("*.part"))
