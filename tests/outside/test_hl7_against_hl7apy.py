"""HL7 v2.5.1 held against hl7apy, an independent library that carries the standard's tables.

The messages that we read are valid by its strict check, so they are no mere invention of ours;
the answers that we write are valid by it too, and are read back by python-hl7.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from tempfile import NamedTemporaryFile
from typing import Any

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import ValidationError
from hl7apy.parser import parse_message
from hl7apy.v2_5_1.tables import TABLES

from schemas.facts import OrderCancelled, OrderPlaced, PatientDescribed, PatientMerged
from services.intake.hl7_answers import Verdict, answers
from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place
from services.intake.hl7_message import header_of, read_message
from services.intake.hl7_reading import ReadFacts, read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_texts import adt, joined, merge, omg, omi, orm

AT = datetime(2026, 3, 2, 9, 0, 1, 250_000, tzinfo=UTC)


# The group of ORM^O01 is a choice of one of these; hl7apy asks for each of them.
CHOICE = "ORM_O01_OBRRQDRQ1RXOODSODT_SUPPGRP"


def validated(lines: list[str]) -> bytes:
    """Give a message once hl7apy has found nothing wrong with it."""
    body = joined(lines)
    read = parse_message(body.decode(), validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    with NamedTemporaryFile("r", encoding="utf-8") as report:
        try:
            read.validate(report_file=report.name)
        except ValidationError:
            assert lines[0].split("|")[8].startswith("ORM")
        wrong = [line for line in report if line.startswith("Error")]
    assert [line for line in wrong if f"required child {CHOICE}" not in line] == []
    return body


def read(lines: list[str]) -> ReadFacts:
    return read_facts(read_message(validated(lines)), codes(), north())


@pytest.mark.parametrize("event", ["A01", "A04", "A08"])
def test_a_valid_adt_describes_the_patient(event: str) -> None:
    told = read(adt(event))

    (fact,) = told.facts
    assert isinstance(fact, PatientDescribed)
    assert told.occurred_at == datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    assert fact.patient.model_dump(mode="json") == {
        "patient_id": "P-1001",
        "name": "Pepper Owner",
        "species": "dog",
        "breed": "Beagle",
        "sex": "female",
        "neutered": True,
        "born_on": date(2019, 5, 1).isoformat(),
        "weight": {"value": 25.1, "unit": "lb"},
        "responsible_person": "Invented Owner",
    }


def test_a_valid_merge_names_the_kept_and_the_retired_record() -> None:
    told = read(merge())

    assert told.facts == (PatientMerged(kept_patient_id="P-1001", retired_patient_id="P-0900"),)


@pytest.mark.parametrize("message", [orm, omg])
def test_a_valid_order_is_read_the_same_from_orm_and_omg(message: Any) -> None:
    (fact,) = read(message()).facts

    assert isinstance(fact, OrderPlaced)
    assert (fact.order_id, fact.plan, fact.room) == ("1001", "dog-full-mouth", "dental-1")
    assert fact.scheduled_at == datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    assert fact.indication == "Fractured tooth (invented)"
    assert (fact.accession_number, fact.study_instance_uid[:5]) == ("1001", "2.25.")
    assert fact.patient.weight is not None
    assert (fact.patient.weight.value, fact.patient.weight.unit) == (25.1, "lb")


def test_a_valid_imaging_order_brings_its_accession_number_study_and_room() -> None:
    (fact,) = read(omi()).facts

    assert isinstance(fact, OrderPlaced)
    assert (fact.accession_number, fact.study_instance_uid) == ("A-77", "2.25.77001")
    assert fact.room == "dental-2"


@pytest.mark.parametrize("control", ["CA", "OC", "DC", "OD"])
def test_a_valid_cancellation_cancels(control: str) -> None:
    assert read(omg(control)).facts == (OrderCancelled(order_id="1001"),)


REFUSALS: list[tuple[Verdict, list[Hl7Refused]]] = [
    (Verdict.ACCEPT, []),
    (Verdict.ERROR, [Hl7Refused(Place("OBR", 4, 1), "INV-X|Y^Z&W~\\", "one of a|b (INV)")]),
    (
        Verdict.REJECT,
        [Hl7Refused(Place("MSH", 12), "9.9", "one of 2.5.1", ErrorCode.UNSUPPORTED_VERSION)],
    ),
]


@pytest.mark.parametrize("message", [adt, merge, orm, omg, omi])
@pytest.mark.parametrize(("verdict", "refusals"), REFUSALS)
@pytest.mark.parametrize("modes", [{}, {"f15": "AL", "f16": "AL"}])
def test_our_answers_are_valid_and_read_back(
    message: Any, verdict: Verdict, refusals: list[Hl7Refused], modes: dict[str, str]
) -> None:
    # given
    lines = message() if message is merge else message(**modes)
    told = header_of(joined(lines))

    # when
    made = answers(told, verdict, refusals, AT)

    # then
    codes_told = []
    for answer in made:
        text = answer.decode("ascii")
        found = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
        assert found.validate()
        read_back = hl7.parse(text)
        codes_told.append(str(read_back["MSA.F1"]))
        assert str(read_back["MSA.F2"]) == "INV-1"
        assert (str(read_back["MSH.F3"]), str(read_back["MSH.F5"])) == ("GOMPHOSIS", "INVREC")
        assert len(found.err) == len(refusals)
        for error, refusal in zip(found.err, refusals, strict=True):
            assert error.err_2.err_2_1.to_er7() == refusal.place.segment
            assert error.err_2.err_2_3.to_er7() == str(refusal.place.field)
            assert error.err_3.err_3_1.to_er7() == refusal.code.value[0]
            assert error.err_4.to_er7() == "E"
    twice = bool(modes) and message is not merge
    assert codes_told == ([f"C{verdict}", f"A{verdict}"] if twice else [f"A{verdict}"])


def test_the_answers_use_every_code_of_table_0008_and_no_other() -> None:
    told = header_of(joined(orm(f15="AL", f16="AL")))
    made = [answer for verdict in Verdict for answer in answers(told, verdict, [], AT)]

    codes_told = {str(hl7.parse(answer.decode("ascii"))["MSA.F1"]) for answer in made}

    assert codes_told == set(TABLES["HL70008"][1])


def test_every_condition_of_table_0155_is_kept() -> None:
    # The words of the table at hl7.eu: always, error or reject only, never, success only.
    answered_at = {
        "AL": set(Verdict),
        "ER": {Verdict.ERROR, Verdict.REJECT},
        "NE": set(),
        "SU": {Verdict.ACCEPT},
    }
    assert set(answered_at) == set(TABLES["HL70155"][1])
    for condition, wanted in answered_at.items():
        told = header_of(joined(orm(f15="NE", f16=condition)))
        assert {one for one in Verdict if answers(told, one, [], AT)} == wanted


def test_the_words_of_an_error_survive_the_way_back_through_the_escapes() -> None:
    (_, refusals) = REFUSALS[1]

    (answer,) = answers(header_of(joined(omg())), Verdict.ERROR, refusals, AT)

    field = hl7.parse(answer.decode())["ERR"][0][8]
    assert hl7.parse(answer.decode()).unescape(str(field)) == str(refusals[0])


def test_the_check_itself_finds_a_message_without_its_patient() -> None:
    lines = [line for line in adt() if not line.startswith("PID")]

    with pytest.raises(AssertionError):
        validated(lines)
