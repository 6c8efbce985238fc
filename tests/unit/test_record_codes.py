"""The table of a record's codes: what it holds, what it refuses, and identities made from it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from schemas.base import Uid
from schemas.errors import InvalidInput
from schemas.group import Group
from schemas.mappings.record_codes import RecordCodes, check_record_codes, load_record_codes
from schemas.plans import load_plans
from services.intake.order_identity import accession_number, revision, study_uid
from services.intake.record_words import NotMapped, NotOurs, plan_of, room_of, species_of, weight_of
from tests.record_inputs.codes import CODES, codes, north, record_group, write_codes

GROUP = Group.model_validate_json(json.dumps(record_group()))


def test_the_packaged_example_fits_the_packaged_plans_and_names_no_sender() -> None:
    packaged = load_record_codes(Path("no folder"))

    check_record_codes(packaged, GROUP, load_plans())
    assert packaged.senders == ()


def test_a_group_s_own_table_replaces_the_example(tmp_path: Path) -> None:
    write_codes(tmp_path)

    assert load_record_codes(tmp_path / "group") == codes()


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"orders": {"A": "no-such-plan"}}, "orders.A"),
        ({"rooms": {"A": "no-such-room"}}, "rooms.A"),
        ({"room_when_none_told": "no-such-room"}, "rooms.room_when_none_told"),
        ({"senders": [CODES["senders"][0] | {"device": "station-1"}]}, "senders.0.device"),
        ({"senders": [CODES["senders"][0] | {"site": "nowhere"}]}, "site"),
    ],
)
def test_a_table_that_does_not_fit_the_group_stops_the_start(
    changes: dict[str, Any], field: str
) -> None:
    with pytest.raises(InvalidInput) as refusal:
        check_record_codes(codes(**changes), GROUP, load_plans())

    assert refusal.value.field.endswith(field)


@pytest.mark.parametrize(
    "changes",
    [
        {"species": {"dog": "dog", "DOG": "cat"}},
        {"species_not_ours": ["canine"]},
        {"orders_not_ours": ["INV-DENT-DOG"]},
        {"weight_units": {"kg": "stone"}},
        {"orders": {" A": "dog-full-mouth"}},
        {"unknown": 1},
    ],
)
def test_a_table_that_contradicts_itself_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="validation error"):
        RecordCodes.model_validate_json(json.dumps(CODES | changes))


def test_words_are_found_whatever_their_case_and_codes_only_as_they_are() -> None:
    assert species_of(codes(), "PID-35", ["canine"]) == "dog"
    with pytest.raises(NotMapped):
        plan_of(codes(), "OBR-4", ["inv-dent-dog"])


def test_what_is_listed_as_not_ours_is_told_apart_from_what_is_unknown() -> None:
    with pytest.raises(NotOurs):
        species_of(codes(), "PID-35", ["equine"])
    with pytest.raises(NotMapped, match=r"species in record_codes\.yaml"):
        species_of(codes(), "PID-35", ["goat"])


def test_a_room_of_another_site_is_refused() -> None:
    with pytest.raises(NotMapped, match="a room of north"):
        room_of(codes(rooms={"A": "dental-9"}), north(), "PV1-3", ["A"])


def test_a_site_s_own_rule_serves_an_order_without_a_room_but_not_one_with_an_unknown() -> None:
    with_rule = codes(room_when_none_told="dental-2")

    assert room_of(with_rule, north(), "PV1-3", []) == "dental-2"
    with pytest.raises(NotMapped):
        room_of(with_rule, north(), "PV1-3", ["ELSEWHERE"])


@pytest.mark.parametrize("value", ["0", "-1", "1001", "inf", "nan", "", "1,5"])
def test_a_weight_that_is_none_is_refused(value: str) -> None:
    with pytest.raises(InvalidInput, match="a weight above 0"):
        weight_of(codes(), "OBX-5", "OBX-6", value, "kg")


def test_a_weight_keeps_the_unit_in_which_it_was_told() -> None:
    told = weight_of(codes(), "OBX-5", "OBX-6", "30", "[LB_AV]")

    assert (told.value, told.unit) == (30.0, "lb")
    # 30 lb as the trade's border of small animals; the pound is exact (NIST SP 811, B.8)
    assert round(told.kg, 3) == 13.608


@given(site=st.text(min_size=1, max_size=20), order=st.text(min_size=1, max_size=64))
def test_a_study_uid_is_a_uuid_under_2_25_and_always_the_same(site: str, order: str) -> None:
    uid = study_uid(site, order)

    TypeAdapter(Uid).validate_python(uid)
    # PS3.5 B.2: the UUID as one decimal number, without leading zeros, under 2.25
    assert UUID(int=int(uid.removeprefix("2.25."))).version == 5
    assert uid == study_uid(site, order)


@given(order=st.text(min_size=1, max_size=64))
def test_an_accession_number_fits_its_value_representation(order: str) -> None:
    made = accession_number(order)

    assert 1 <= len(made) <= 16
    assert made.isascii()
    assert "\\" not in made


@given(
    at=st.datetimes(datetime(1980, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    later=st.timedeltas(timedelta(microseconds=1), timedelta(days=20_000)),
)
def test_a_later_state_has_a_higher_revision_that_json_and_the_store_can_carry(
    at: datetime, later: timedelta
) -> None:
    assert 1 <= revision(at) < revision(at + later) < 2**53
