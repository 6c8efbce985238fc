"""What the record said, told again after a restore: the same facts, so hearers let them pass."""

from __future__ import annotations

from pathlib import Path

from schemas.facts import PostingAnswered
from services.records.adapters.folder import FolderAdapter
from services.records.retelling import answers_again
from services.records.suite.samples import credit, entry
from tests.contract.record_adapters.posting_desk import Desk
from tests.contract.record_samples import charges
from tests.contract.record_store import open_store
from tests.handled import sent


def test_an_answer_told_again_is_the_fact_that_it_was(tmp_path: Path) -> None:
    # given: a charge and a credit that the record took, and a charge that still waits
    store = open_store(f"sqlite:///{tmp_path}/store.sqlite")
    desk = Desk(store, FolderAdapter({"path": str(tmp_path / "record")}))
    first = entry(1)
    desk.take(charges(first, credit(2, first.posting_key)))
    desk.post_all()
    told = [one for one in sent(store) if isinstance(one.payload, PostingAnswered)]
    desk.take(charges(first, credit(2, first.posting_key), entry(3)))

    # when
    with store.begin() as connection:
        again = [message for message, _ in answers_again(connection, "any-group", None)]

    # then
    assert len(told) == 2
    assert [(one.natural_key, one.payload, one.source, one.group) for one in again] == [
        (one.natural_key, one.payload, one.source, one.group) for one in told
    ]
    store.close()
