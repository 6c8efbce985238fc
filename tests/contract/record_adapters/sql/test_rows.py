"""What the staged rows say, exactly, and what is done about those that were edited."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.sql import SqlAdapter
from services.records.port import PeriodClosed, Rejected
from services.records.suite import accepted
from services.records.suite.samples import (
    DAY,
    STUDY,
    charge_posting,
    correction_posting,
    credit,
    entry,
    note,
    note_posting,
)
from tests.record_stand_ins.sql_server import SqlServer

CODES = """
charges: {INV-IO-FIRST: INV-8101}
staff: {vet-1: INV-S-17}
sites: {north: INV-N}
teeth: {"108": INV-T-8}
"""


@pytest.fixture
def codes(tmp_path: Path) -> str:
    file = tmp_path / "codes.yaml"
    file.write_text(CODES)
    return str(file)


def test_a_charge_stands_in_columns_with_exact_numbers_and_the_codes_of_both_sides(
    record_side: SqlServer, codes: str
) -> None:
    adapter = record_side.adapter(codes=codes)
    line = entry(
        amount=Decimal("9999999999.10"),
        quantity=7,
        tax_percent=Decimal("7.7"),
        tax_amount=Decimal("0.07"),
    )

    reference = accepted(adapter.post_charge(charge_posting(line, teeth=(108,))))
    accepted(adapter.reverse_charge(charge_posting(credit(2, line.posting_key))))

    (held, _credit) = adapter.read_charges(study_instance_uid=STUDY)
    adapter.close()
    assert held.amount == Decimal("9999999999.10")
    row, reversal = record_side.sql("SELECT * FROM gomphosis_charge ORDER BY sequence")
    assert reference == f"charge/{row['sequence']}"
    told = {
        "amount": "9999999999.10",
        "tax_percent": "7.70",
        "tax_amount": "0.07",
        "quantity": "7",
        "type": "charge",
        "turn": "1",
        "site": "north",
        "record_site": "INV-N",
        "code": "INV-IO-FIRST",
        "record_code": "INV-8101",
        "account": "ACC-1001",
        "accession_number": "A1001",
        "service_day": "2026-03-02",
        "images": "2.25.1003",
        "reason": "first diagnostic view",
    }
    assert {name: row[name] for name in told} == told
    assert json.loads(row["record_codes"])["teeth"] == {"108": {"code": "INV-T-8"}}
    assert (reversal["type"], reversal["reverses"]) == ("credit", line.posting_key)


def test_a_note_stands_there_as_text_and_as_html_with_its_signer_and_moment(
    record_side: SqlServer, codes: str
) -> None:
    adapter = record_side.adapter(codes=codes)
    west = timezone(-timedelta(hours=8))
    signed = note(2, NoteState.SIGNED, signed_at=datetime(2026, 3, 1, 23, 30, tzinfo=west))

    accepted(adapter.post_note(note_posting(signed)))
    adapter.close()

    (row,) = record_side.sql("SELECT * FROM gomphosis_note")
    assert (row["text"], row["html"]) == (signed.text, signed.html)
    assert (row["status"], row["revision"]) == ("final", "2")
    assert (row["signer"], row["record_signer"]) == ("vet-1", "INV-S-17")
    assert datetime.fromisoformat(row["signed_at"]) == datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def test_a_correction_names_the_line_and_is_booked_beside_it(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.correct_charge(correction_posting("INV-L-7", amount=Decimal("12.50"))))
    record_side.work()

    (row,) = record_side.sql("SELECT type, corrects, amount FROM gomphosis_charge")
    assert row == {"type": "credit", "corrects": "INV-L-7", "amount": "12.50"}
    (line,) = record_side.sql("SELECT amount FROM gomphosis_line")
    assert line["amount"] == "-12.50"


def test_a_code_that_the_record_has_not_is_never_guessed(
    record_side: SqlServer, codes: str
) -> None:
    adapter = record_side.adapter(codes=codes)

    answer = adapter.post_charge(charge_posting(entry(code="INV-OTHER")))

    adapter.close()
    assert isinstance(answer, Rejected)
    assert "INV-OTHER" in answer.words
    assert record_side.sql("SELECT * FROM gomphosis_charge") == []
    assert list(adapter.unmapped(["INV-OTHER"], [], ["south"])) == [
        "charges.INV-OTHER",
        "sites.south",
    ]
    told = adapter.codes_file()
    assert told is not None
    assert str(told.path) == codes


@pytest.mark.parametrize("closed_for", ["north", "*"])
def test_in_closed_books_a_new_charge_is_sent_to_the_next_day_and_a_held_one_stays(
    record_side: SqlServer, adapter: SqlAdapter, closed_for: str
) -> None:
    held = accepted(adapter.post_charge(charge_posting(entry(1))))
    record_side.sql(
        "INSERT INTO gomphosis_closed_period VALUES (:site, :day)",
        site=closed_for,
        day="2026-03-31",
    )

    answer = adapter.post_charge(charge_posting(entry(2)))

    assert isinstance(answer, PeriodClosed)
    assert answer.next_open_day == date(2026, 4, 1)
    assert accepted(adapter.post_charge(charge_posting(entry(1)))) == held
    accepted(adapter.post_charge(charge_posting(entry(2), moved_to=answer.next_open_day)))
    (_first, moved) = record_side.sql(
        "SELECT service_day, posting_day FROM gomphosis_charge ORDER BY sequence"
    )
    assert moved == {"service_day": DAY.isoformat(), "posting_day": "2026-04-01"}


def test_books_closed_for_another_site_are_not_ours(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    record_side.sql("INSERT INTO gomphosis_closed_period VALUES ('south', '2026-03-31')")

    accepted(adapter.post_charge(charge_posting()))


def test_a_staged_row_that_was_edited_is_told_so_and_refused_when_it_comes_again(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    record_side.sql("UPDATE gomphosis_charge SET amount = '45.00'")

    (held,) = adapter.read_charges(study_instance_uid=STUDY)
    answer = adapter.post_charge(charge_posting())

    assert held.changed_by_hand
    assert held.amount == Decimal("45.00")
    assert isinstance(answer, Rejected)
    assert "other content" in answer.words


def test_a_constraint_of_the_record_s_own_refuses_one_row_in_its_words_and_no_other(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    record_side.sql("CREATE UNIQUE INDEX one_a_day ON gomphosis_charge (patient_id, service_day)")
    try:
        accepted(adapter.post_charge(charge_posting(entry(1))))
        answer = adapter.post_charge(charge_posting(entry(2)))
        accepted(adapter.post_charge(charge_posting(entry(3), patient_id="P-2002")))
    finally:
        record_side.sql("DROP INDEX one_a_day")

    assert isinstance(answer, Rejected)
    assert "UNIQUE" in answer.words.upper()
    held = adapter.read_charges(study_instance_uid=STUDY)
    assert [line.posting_key for line in held] == [entry(n).posting_key for n in (1, 3)]


def test_rows_of_a_patient_are_numbered_in_the_order_of_posting(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    for number in (5, 1, 4):
        accepted(adapter.post_charge(charge_posting(entry(number))))
    record_side.work()

    assert record_side.control()["booked"] == [entry(n).posting_key for n in (5, 1, 4)]
