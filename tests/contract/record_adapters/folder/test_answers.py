"""Late answers that the record side leaves beside an entry."""

from __future__ import annotations

import os
from pathlib import Path

from schemas.facts import PostingOutcome
from services.records.adapters.file_names import file_name
from services.records.adapters.folder import FolderAdapter
from services.records.port import (
    LateAnswer,
    Rejected,
    Unreadable,
)
from services.records.suite import accepted
from services.records.suite.samples import STUDY, charge_posting, entry
from tests.contract.folder_drops import LONG_AGO_S, leave


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
