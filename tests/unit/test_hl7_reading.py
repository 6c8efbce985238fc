"""HL7 v2 messages read into facts: orders, patients and weights, and no crash ever."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.facts import OrderCancelled, OrderPlaced
from services.intake.hl7_answers import answers, verdict_of
from services.intake.hl7_errors import Hl7Refused
from services.intake.hl7_message import read_message
from services.intake.hl7_reading import read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_read import AT, described, placed, read, swapped, without
from tests.record_inputs.hl7_texts import (
    PV1,
    adt,
    header,
    joined,
    merge,
    obr,
    obx,
    omg,
    omi,
    orc,
    orm,
    pid,
    segment,
)


def test_what_is_listed_as_not_ours_is_heard_and_makes_no_fact() -> None:
    horse = read(swapped(adt(), "PID", pid(f35="EQUINE^Horse")))
    thorax = read(swapped(omg(), "OBR", obr(code="INV-THORAX")))

    assert (horse.facts, horse.not_ours) == ((), 1)
    assert (thorax.facts, thorax.not_ours) == ((), 1)


def test_one_message_may_carry_several_orders_and_each_has_its_own_start() -> None:
    lines = [
        header("OMG^O19^OMG_O19"),
        pid(),
        PV1,
        orc(number="1"),
        obr("1"),
        orc(number="2"),
        segment("TQ1", {7: "202603031000"}),
        obr("2"),
        orc("CA", number="3"),
        obr("3"),
    ]

    first, second, third = read(lines).facts

    assert isinstance(first, OrderPlaced)
    assert isinstance(second, OrderPlaced)
    assert (first.order_id, first.scheduled_at.day) == ("1", 2)
    assert (second.order_id, second.scheduled_at.day) == ("2", 3)
    assert third == OrderCancelled(order_id="3")


def test_a_changed_order_has_a_higher_revision_in_whatever_order_it_comes() -> None:
    # given: the record's own times of the two states, to the tenth of a millisecond
    first = placed(swapped(omg(), "ORC", orc(f9="20260302090000.1234")))
    changed = placed(swapped(omg("XO"), "ORC", orc("XO", f9="20260302090000.1235")))

    # then
    assert changed.revision - first.revision == 100
    assert (
        first.revision == placed(swapped(omg(), "ORC", orc(f9="20260302080000.1234+0000"))).revision
    )
    assert changed.study_instance_uid == first.study_instance_uid


def test_two_sites_give_the_same_order_number_two_studies() -> None:
    ours = placed(omg())
    theirs_at = replace_site_name("south")
    message = read_message(joined(omg()))
    (theirs,) = read_facts(message, codes(), theirs_at).facts

    assert isinstance(theirs, OrderPlaced)
    assert theirs.study_instance_uid != ours.study_instance_uid


def replace_site_name(name: str) -> Any:
    return north().model_copy(update={"name": name})


def test_a_long_order_number_gets_a_short_accession_number_of_its_own() -> None:
    numbers = [
        placed([line.replace("1001^INVREC", f"{'9' * 20}{end}^INVREC") for line in omg()])
        for end in "12"
    ]

    assert len({order.accession_number for order in numbers}) == 2
    assert {len(order.accession_number) for order in numbers} == {16}


@pytest.mark.parametrize(
    ("control", "status", "facts"), [("SC", "CA", 1), ("SC", "IP", 0), ("SR", "", 0), ("NA", "", 0)]
)
def test_a_status_cancels_only_where_it_says_so(control: str, status: str, facts: int) -> None:
    told = read(swapped(omg(), "ORC", orc(control, f5=status)))

    assert len(told.facts) == facts


def test_the_newest_weight_counts_and_a_wrong_one_does_not() -> None:
    lines = [
        *without(adt(), "OBX"),
        obx("12", "kg", "202603011000", number=1),
        obx("11", "kg", "202602281000", number=2),
        segment("OBX", {2: "NM", 3: "29463-7", 5: "99", 6: "kg", 11: "W", 14: "202603021000"}),
    ]

    weight = described(lines).weight

    assert weight is not None
    assert (weight.value, weight.unit) == (12.0, "kg")


MESSAGES = [joined(lines()) for lines in (adt, merge, orm, omg, omi)]


@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_no_mutation_of_a_message_makes_reading_fail_otherwise_than_by_refusal(
    data: st.DataObject,
) -> None:
    body = bytearray(data.draw(st.sampled_from(MESSAGES)))
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, len(body)))
        end = place + data.draw(st.integers(0, 12))
        body[place:end] = data.draw(
            st.one_of(
                st.binary(max_size=8),
                st.sampled_from([b"|", b"^", b"~", b"\\", b"&", b"\r", b"\\X", b"\\F\\", b'""']),
            )
        )
    try:
        told = read_facts(read_message(bytes(body)), codes(), north())
    except Hl7Refused as refusal:
        made = answers(None, verdict_of(refusal), [refusal], AT)
        assert read_message(made[0]).one("MSA").text(1) in {"AE", "AR"}
    else:
        for fact in told.facts:
            assert type(fact).model_validate_json(fact.model_dump_json()) == fact
            assert "\\u0000" not in fact.model_dump_json()
