"""What a patient record tells of itself: late answers and orders."""

from __future__ import annotations

import pytest

from schemas.envelope import Message, Payload
from schemas.facts import OrderPlaced, PostingOutcome
from services.records.answers import fit
from services.records.port import OrderOffer
from services.records.suite.samples import entry
from tests.contract.folder_drops import leave, order_file
from tests.contract.record_samples import charges
from tests.contract.records_line import Line, key


def test_a_late_rejection_changes_the_posting_and_is_told_once(line: Line) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    leave(
        line.record.path / f"{reference}.answer.json",
        {"outcome": "rejected", "words": "Account closed (invented)"},
    )

    assert line.listener.listen_once() == 1
    assert line.listener.listen_once() == 0

    assert line.states() == {key(1): "rejected"}
    outcomes = [(answer.outcome, answer.words) for answer in line.answers()]
    assert outcomes == [
        (PostingOutcome.ACCEPTED, None),
        (PostingOutcome.REJECTED, "Account closed (invented)"),
    ]


def test_an_answer_read_twice_is_told_once(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    leave(line.record.path / f"{reference}.answer.json", {"outcome": "rejected", "words": "No"})
    monkeypatch.setattr(line.record, "settle", lambda _item: None)

    for _ in range(3):
        line.listener.listen_once()

    assert len(line.answers()) == 2


def test_words_that_no_store_takes_are_made_fit(line: Line) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    words = "nul\x00 and so on " + "x" * 1900
    leave(line.record.path / f"{reference}.answer.json", {"outcome": "rejected", "words": words})

    line.listener.listen_once()

    told = line.answers()[1].words
    assert told is not None
    assert told.startswith("nul\N{REPLACEMENT CHARACTER} and so on")
    assert line.states() == {key(1): "rejected"}


def test_long_words_are_cut_to_the_contract() -> None:
    assert len(fit("x" * 5000)) == 2000
    assert fit("\ud800") == "?"


def test_an_item_that_makes_us_fail_is_laid_aside_and_the_next_is_taken(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    orders = line.record.path / "orders"
    leave(orders / "1.json", order_file())
    leave(orders / "2.json", order_file(payload={**OrderPlaced.EXAMPLES[0], "order_id": "1002"}))
    make_fact = line.listener._order_fact

    def fail_once(offer: OrderOffer) -> Message[Payload]:
        if offer.token.endswith("1.json"):
            raise RuntimeError("a defect (invented)")
        return make_fact(offer)

    monkeypatch.setattr(line.listener, "_order_fact", fail_once)

    line.listener.listen_once()

    (offer,) = line.offers()
    assert isinstance(offer.payload, OrderPlaced)
    assert offer.payload.order_id == "1002"
    assert len(line.triage()) == 1
    assert (orders / "rejected" / "1.json").exists()


def test_orders_of_the_record_are_offered_and_bad_ones_kept_for_triage(line: Line) -> None:
    leave(line.record.path / "orders" / "1.json", order_file())
    leave(line.record.path / "orders" / "2.json", order_file(occurred_at="2026-03-02T08:00:00"))

    line.listener.listen_once()

    (offer,) = line.offers()
    assert isinstance(offer.payload, OrderPlaced)
    assert (offer.group, offer.site) == ("example-group", "north")
    assert (offer.source.kind, offer.occurred_at.isoformat()) == (
        "record",
        "2026-03-02T08:00:00+00:00",
    )
    (kept,) = line.triage()
    assert (kept.service, kept.field) == ("records", "order file.occurred_at")
    assert line.listener.listen_once() == 0
