"""The adapters that come with gomphosis, by the contract suite and by what is theirs alone."""

from __future__ import annotations

import json
import os
import resource
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import NoteState
from schemas.facts import OrderCancelled, OrderPlaced, PostingOutcome
from services.records.adapters.choose import open_record
from services.records.adapters.file_names import file_name
from services.records.adapters.folder import FolderAdapter
from services.records.port import (
    LateAnswer,
    OrderOffer,
    PatientRecord,
    PeriodClosed,
    RecordError,
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
    Rejected,
    Unreadable,
)
from services.runtime.settings import RecordsSettings, Settings
from tests.contract.record_cases import HOSTILE, RecordCases, accepted
from tests.contract.record_samples import (
    STUDY,
    charge_posting,
    credit,
    entry,
    note,
    note_posting,
)

LONG_AGO_S = 1_000_000_000


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "outer" / "record"


@pytest.fixture
def folder(root: Path) -> FolderAdapter:
    return FolderAdapter({"path": str(root)})


def leave(path: Path, content: object, *, old: bool = True) -> Path:
    """Leave a file as the record side would; an old one is not being written any more."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    if old:
        os.utime(path, (LONG_AGO_S, LONG_AGO_S))
    return path


class TestFolderAdapter(RecordCases):
    @pytest.fixture
    def record(self, folder: FolderAdapter) -> PatientRecord:
        return folder


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


def test_an_answer_beside_a_damaged_entry_goes_to_a_person_and_blocks_no_other(
    folder: FolderAdapter, root: Path
) -> None:
    for number in (1, 2):
        reference = accepted(folder.post_charge(charge_posting(entry(number))))
        leave(root / f"{reference}.answer.json", {"outcome": "rejected", "words": "No"})
    (root / "charges" / "north" / STUDY / f"{file_name(entry(1).posting_key)}.json").write_text("{")

    damaged, good = folder.read_answers()

    assert isinstance(damaged, Unreadable)
    assert isinstance(good, LateAnswer)
    assert good.posting_key == entry(2).posting_key


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


def test_a_rejection_left_beside_a_charge_is_told_until_it_is_settled(
    folder: FolderAdapter, root: Path
) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    leave(root / f"{reference}.answer.json", {"outcome": "rejected", "words": "Account closed"})

    (answer,) = folder.read_answers()
    assert list(folder.read_answers()) == [answer]
    folder.settle(answer)

    assert isinstance(answer, LateAnswer)
    assert answer.posting_key == entry().posting_key
    assert (answer.outcome, answer.words) == (PostingOutcome.REJECTED, "Account closed")
    assert list(folder.read_answers()) == []
    assert folder.post_charge(charge_posting()) == Rejected("Account closed")
    assert list(folder.read_charges(study_instance_uid=STUDY)) == []


def test_an_answer_is_found_in_a_study_folder_that_was_quiet_for_long(
    folder: FolderAdapter, root: Path
) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    os.utime((root / reference).parent, (LONG_AGO_S, LONG_AGO_S))
    assert list(folder.read_answers()) == []

    leave(root / f"{reference}.answer.json", {"outcome": "accepted", "reference": "X-1"})

    (answer,) = folder.read_answers()
    assert isinstance(answer, LateAnswer)
    assert answer.reference == "X-1"


def test_an_answer_in_a_quiet_folder_is_told_until_it_is_settled(
    folder: FolderAdapter, root: Path
) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    leave(root / f"{reference}.answer.json", {"outcome": "accepted"})
    os.utime((root / reference).parent, (LONG_AGO_S, LONG_AGO_S))

    assert list(folder.read_answers()) == list(folder.read_answers())
    assert len(list(folder.read_answers())) == 1


def test_an_answer_that_came_in_the_same_tick_as_our_look_is_found(
    folder: FolderAdapter, root: Path
) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    study = (root / reference).parent
    moment_ns = study.stat().st_mtime_ns
    assert list(folder.read_answers()) == []

    leave(root / f"{reference}.answer.json", {"outcome": "accepted"})
    os.utime(study, ns=(moment_ns, moment_ns))

    assert len(list(folder.read_answers())) == 1


def test_an_answer_that_cannot_be_read_goes_to_a_person(folder: FolderAdapter, root: Path) -> None:
    reference = accepted(folder.post_charge(charge_posting()))
    leave(root / f"{reference}.answer.json", {"outcome": "perhaps"})

    (found,) = folder.read_answers()
    folder.settle(found)

    assert isinstance(found, Unreadable)
    assert found.error.field == "answer file.outcome"
    assert list(folder.read_answers()) == []


def order_file(**changes: object) -> dict[str, object]:
    return {
        "kind": "order_placed",
        "site": "north",
        "occurred_at": "2026-03-02T08:00:00Z",
        "payload": OrderPlaced.EXAMPLES[0],
        **changes,
    }


def test_orders_are_told_in_order_until_they_are_settled(folder: FolderAdapter, root: Path) -> None:
    leave(
        root / "orders" / "0002.json",
        order_file(kind="order_cancelled", payload={"order_id": "1001"}),
    )
    leave(root / "orders" / "0001.json", order_file())

    offers = list(folder.read_orders())
    assert list(folder.read_orders()) == offers
    for offer in offers:
        folder.settle(offer)

    assert all(isinstance(offer, OrderOffer) for offer in offers)
    kinds = [offer.payload.__class__ for offer in offers if isinstance(offer, OrderOffer)]
    assert kinds == [OrderPlaced, OrderCancelled]
    assert list(folder.read_orders()) == []
    assert {path.name for path in (root / "orders" / "taken").iterdir()} == {
        "0001.json",
        "0002.json",
    }


@pytest.mark.parametrize(
    ("content", "field"),
    [
        ("{not json", "order file"),
        (order_file(kind="charges_released"), "order file.kind"),
        (order_file(occurred_at="2026-03-02T08:00:00"), "order file.occurred_at"),
        (order_file(site="../north"), "order file.site"),
        (order_file(schema_version=99), "schema_version"),
        (order_file(payload={**OrderPlaced.EXAMPLES[0], "plan": 7}), "payload.plan"),
        (order_file(extra=1), "order file.extra"),
        ('{"payload": "' + "x" * 1_100_000 + '"}', "order file"),
    ],
    ids=["malformed", "kind", "naive", "site", "newer", "payload", "unknown-field", "oversized"],
)
def test_a_bad_order_names_its_field_and_is_laid_aside(
    folder: FolderAdapter, root: Path, content: object, field: str
) -> None:
    leave(root / "orders" / "bad.json", content)
    leave(root / "orders" / "good.json", order_file())

    bad, good = folder.read_orders()
    folder.settle(bad)
    folder.settle(good)

    assert isinstance(bad, Unreadable)
    assert bad.error.field == field
    assert isinstance(good, OrderOffer)
    assert (root / "orders" / "rejected" / "bad.json").exists()
    assert (root / "orders" / "taken" / "good.json").exists()


def test_an_order_that_is_still_being_written_is_left_alone(
    folder: FolderAdapter, root: Path
) -> None:
    leave(root / "orders" / "half.json", '{"kind": "order_pl', old=False)

    assert list(folder.read_orders()) == []
    assert (root / "orders" / "half.json").exists()


def test_an_order_of_the_same_name_never_overwrites_an_older_one(
    folder: FolderAdapter, root: Path
) -> None:
    for _ in range(2):
        leave(root / "orders" / "again.json", order_file())
        for offer in folder.read_orders():
            folder.settle(offer)

    assert len(list((root / "orders" / "taken").iterdir())) == 2


def test_a_link_in_the_order_drop_is_not_followed(
    folder: FolderAdapter, root: Path, tmp_path: Path
) -> None:
    secret = leave(tmp_path / "elsewhere.json", order_file())
    (root / "orders").mkdir(parents=True)
    (root / "orders" / "link.json").symlink_to(secret)

    assert list(folder.read_orders()) == []
