"""Worklist keys match as DICOM PS3.4 C.2.2.2 says (rules from memory)."""

import json
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.facts import Patient
from schemas.plans import load_plans
from services.intake.worklist_item import (
    requested,
    set_character_set,
    unsupported,
    worklist_item,
)
from services.intake.worklist_match import any_matches, name_matches, read_period, text_matches
from services.intake.worklist_store import ScheduledOrder


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("", "anything", True),
        ("A1001", "A1001", True),
        ("A1001", "A1002", False),
        ("a1001", "A1001", False),
        ("A*", "A1001", True),
        ("*01", "A1001", True),
        ("A???1", "A1001", True),
        ("A??1", "A1001", False),
        ("A.*", "A1001", False),
        ("*", "", True),
        ("A(", "A(", True),
    ],
)
def test_a_text_key_matches_by_value_or_wildcard(key: str, value: str, expected: bool) -> None:
    assert text_matches(key, value) is expected


@pytest.mark.parametrize(
    ("key", "expected"),
    [("invented pepper", True), ("*PEPPER*", True), ("Invented Pepper^^^^", True), ("Salt", False)],
)
def test_a_name_matches_whatever_its_case(key: str, expected: bool) -> None:
    assert name_matches(key, "Invented Pepper") is expected


@pytest.mark.parametrize(
    ("keys", "values", "expected"),
    [
        ([], ["STATION1"], True),
        ([""], [], True),
        (["STATION1"], ["STATION2", "STATION1"], True),
        (["2.25.1", "2.25.2"], ["2.25.2"], True),
        (["STATION1"], [], False),
    ],
)
def test_a_list_matches_where_one_of_it_does(
    keys: list[str], values: list[str], expected: bool
) -> None:
    assert any_matches(keys, values) is expected


@pytest.mark.parametrize(
    ("date", "time", "moment", "expected"),
    [
        ("", "", "2026-03-02T10:00", True),
        ("20260302", "", "2026-03-02T23:59", True),
        ("20260302", "", "2026-03-03T00:00", False),
        ("20260301-20260303", "", "2026-03-03T23:59", True),
        ("-20260301", "", "2026-03-02T00:00", False),
        ("20260302-", "", "2026-03-02T00:00", True),
        ("", "1000-1200", "2026-03-02T12:00", True),
        ("", "10-12", "2026-03-02T12:59", True),
        ("", "1000-1200", "2026-03-02T12:01", False),
        ("20260302", "1000", "2026-03-02T10:00:59", True),
        ("20260302", "1000", "2026-03-02T10:01", False),
        # One period from the first to the second moment, not the same hours of each day.
        ("20260301-20260303", "1000-1800", "2026-03-02T03:00", True),
        ("20260301-20260303", "1000-1800", "2026-03-01T09:59", False),
        ("20260301-20260303", "1000-1800", "2026-03-03T18:01", False),
    ],
)
def test_date_and_time_keys_ask_for_a_period(
    date: str, time: str, moment: str, expected: bool
) -> None:
    assert read_period(date, time).holds(datetime.fromisoformat(moment)) is expected


@pytest.mark.parametrize(
    ("date", "time", "field"),
    [
        ("yesterday", "", "StartDate"),
        ("20261340", "", "StartDate"),
        ("20260302", "noon", "StartTime"),
        ("2026-03-02", "", "StartDate"),
    ],
)
def test_a_key_without_sense_is_refused_by_name(date: str, time: str, field: str) -> None:
    with pytest.raises(InvalidInput, match=field):
        read_period(date, time)


def make_item(name: str = "Invented Pepper") -> Dataset:
    order = ScheduledOrder(
        order_id="1001",
        study_instance_uid="2.25.1001",
        accession_number="A1001",
        room="dental-1",
        scheduled_at=datetime(2026, 3, 2, 9, 0, tzinfo=UTC),
        plan="dog-full-mouth",
        patient=Patient.model_validate_json(json.dumps(Patient.EXAMPLES[0] | {"name": name})),
    )
    plan = load_plans()["dog-full-mouth"]
    return worklist_item(order, plan, ["STATION1"], ZoneInfo("Europe/Vienna"))


def test_an_item_tells_time_animal_and_every_view_of_the_plan() -> None:
    # when
    item = make_item()
    step = item.ScheduledProcedureStepSequence[0]

    # then
    assert (step.ScheduledProcedureStepStartDate, step.ScheduledProcedureStepStartTime) == (
        "20260302",
        "100000",
    )
    assert item.PatientSpeciesCodeSequence[0].CodeValue == "448771007"
    assert item.PatientBreedDescription == "Beagle"
    assert item.PatientSexNeutered == "ALTERED"
    assert item.ResponsiblePerson == "Invented Owner"
    codes = step.ScheduledProtocolCodeSequence
    told = [code.get("LongCodeValue") or code.CodeValue for code in codes]
    assert told == [view.code for view in load_plans()["dog-full-mouth"].views]
    assert {code.CodingSchemeDesignator for code in codes} == {"99GMPH"}


def test_only_what_was_asked_for_is_returned_and_the_rest_is_named() -> None:
    # given
    step = Dataset()
    step.Modality = "IO"
    step.ScheduledProcedureStepStartDate = ""
    keys = Dataset()
    keys.PatientID = ""
    keys.EthnicGroup = ""
    keys.ScheduledProcedureStepSequence = [step]

    # when
    answer = requested(make_item(), keys)

    # then
    assert {element.keyword for element in answer} == {
        "PatientID",
        "ScheduledProcedureStepSequence",
    }
    inner = answer.ScheduledProcedureStepSequence[0]
    assert {element.keyword for element in inner} == {
        "Modality",
        "ScheduledProcedureStepStartDate",
    }
    assert unsupported(make_item(), keys) == ["EthnicGroup"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("Pepper", None), ("Jörg", "ISO_IR 100"), ("胡椒", "ISO_IR 192")],
)
def test_an_item_names_the_character_set_that_it_needs(name: str, expected: str | None) -> None:
    item = make_item(name)

    set_character_set(item)

    assert item.get("SpecificCharacterSet") == expected


def test_delimiters_of_a_person_name_in_a_record_do_not_split_it() -> None:
    assert str(make_item("Invented^Pep=per").PatientName) == "Invented Pep per"


def test_a_key_sent_as_a_sequence_that_is_none_is_let_pass() -> None:
    # given: Study Instance UID as a sequence
    inner, keys = Dataset(), Dataset()
    inner.AccessionNumber = ""
    keys.add_new("StudyInstanceUID", "SQ", [inner])

    # then
    assert unsupported(make_item(), keys) == []


@given(key=st.text("ab*?", max_size=8), value=st.text("ab*?.", max_size=8))
def test_wildcards_match_as_a_regular_expression_does(key: str, value: str) -> None:
    pattern = "".join({"*": ".*", "?": "."}.get(letter, re.escape(letter)) for letter in key)

    assert text_matches(key, value) == (not key or re.fullmatch(pattern, value) is not None)


def test_a_key_of_many_stars_is_matched_without_trying_every_way() -> None:
    assert not text_matches("*a" * 32 + "b", "a" * 64)
    assert text_matches("*a" * 32 + "*", "a" * 64)
