"""The lines of the record's invoices, by hand and ours, and what waits for its job."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from schemas.facts import RecordLine
from services.records.adapters.sql import SqlAdapter
from services.records.port import Unreadable
from services.records.suite import accepted
from services.records.suite.samples import DAY, SITE, STUDY, charge_posting, credit, entry
from tests.record_stand_ins.sql_server import SqlServer

KEY = entry().posting_key
BY_HAND = (
    "INSERT INTO gomphosis_line (line_id, site, patient_id, service_day, code, quantity, amount, "
    "currency, entered_by) VALUES (:id, :site, 'P-7', '2026-03-02', :code, :quantity, '-12.50', "
    "'EUR', 'desk-1')"
)


def lines_of(adapter: SqlAdapter) -> list[RecordLine]:
    return [one for one in adapter.read_lines(SITE, DAY, DAY) if isinstance(one, RecordLine)]


def test_a_line_by_hand_is_read_with_the_record_s_codes_turned_into_ours(
    record_side: SqlServer, tmp_path: Path
) -> None:
    codes = tmp_path / "codes.yaml"
    codes.write_text("charges: {INV-IO-FIRST: INV-8101}\nsites: {north: INV-N, south: INV-S}\n")
    adapter = record_side.adapter(codes=str(codes))
    for number, site in ((1, "INV-N"), (2, "north"), (3, "INV-S")):
        record_side.sql(BY_HAND, id=f"L-{number}", site=site, code="INV-8101", quantity=2)

    lines = lines_of(adapter)

    adapter.close()
    assert [line.line_id for line in lines] == ["L-1", "L-2"]
    assert {(line.code, line.quantity, line.amount) for line in lines} == {
        ("INV-IO-FIRST", 2, Decimal("-12.50"))
    }
    assert (lines[0].posting_key, lines[0].entered_by, lines[0].edited) == (None, "desk-1", False)


def test_a_line_of_ours_that_was_edited_on_the_invoice_is_marked(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    accepted(adapter.reverse_charge(charge_posting(credit(2, KEY))))
    record_side.work()
    assert [line.edited for line in lines_of(adapter)] == [False, False]

    record_side.sql("UPDATE gomphosis_line SET amount = '45.00' WHERE posting_key = :key", key=KEY)

    assert {(line.posting_key, line.edited) for line in lines_of(adapter)} == {
        (KEY, True),
        (entry(2).posting_key, False),
    }


@pytest.mark.parametrize(
    ("amount", "exact"),
    [("38.000", "38.00"), ("9999999999.99", "9999999999.99"), ("-0.10", "-0.10")],
)
def test_an_amount_is_the_same_to_the_cent_however_it_is_written(
    sqlite_server: SqlServer, amount: str, exact: str
) -> None:
    sqlite_server.control(reset=True)
    sqlite_server.sql(BY_HAND, id="L-1", site="north", code="INV-HAND", quantity=1)
    sqlite_server.sql("UPDATE gomphosis_line SET amount = :amount", amount=amount)
    adapter = sqlite_server.adapter()

    (line,) = lines_of(adapter)

    adapter.close()
    assert line.amount == Decimal(exact)


def test_a_line_that_cannot_be_read_is_told_by_its_column_and_hides_no_other(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    record_side.sql(BY_HAND, id="L-1", site="north", code="INV-HAND", quantity=0)
    record_side.sql(BY_HAND, id="L-2", site="north", code="INV-HAND", quantity=1)

    bad, good = adapter.read_lines(SITE, DAY, DAY)

    assert isinstance(bad, Unreadable)
    assert (bad.error.field, bad.kind) == ("gomphosis_line.quantity", "gomphosis_line")
    assert isinstance(good, RecordLine)
    adapter.settle(bad)
    assert list(adapter.read_lines(SITE, DAY, DAY)) == [good]
    record_side.sql("UPDATE gomphosis_line SET quantity = -1 WHERE line_id = 'L-1'")
    assert len(list(adapter.read_lines(SITE, DAY, DAY))) == 2, "it changed, and is bad again"


def test_what_the_job_has_not_taken_up_counts_for_a_while_and_is_missing_then(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    assert [line.line_id.split("/")[0] for line in lines_of(adapter)] == ["charge"]
    assert adapter.check().ok

    record_side.sql("UPDATE gomphosis_charge SET written_at = '2026-03-02T08:00:00+00:00'")

    assert lines_of(adapter) == []
    verdict = adapter.check()
    assert not verdict.ok
    assert "1 rows wait for its job" in verdict.words
    assert adapter.find_charge(charge_posting()) is not None, "it is there, and not posted twice"


def test_a_line_that_a_person_took_off_is_gone_and_offered_again_when_it_is_posted_again(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    record_side.work()
    for answer in adapter.read_answers():
        adapter.settle(answer)
    record_side.sql("DELETE FROM gomphosis_line")

    assert lines_of(adapter) == []
    assert adapter.find_charge(charge_posting()) is None
    assert list(adapter.read_charges(study_instance_uid=STUDY)) == []

    accepted(adapter.post_charge(charge_posting()))
    record_side.work()
    assert [line.posting_key for line in lines_of(adapter)] == [KEY]
    (row,) = record_side.sql("SELECT turn FROM gomphosis_charge")
    assert row == {"turn": "2"}


def test_a_line_doubled_on_the_invoice_is_told_twice(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    record_side.work()
    record_side.sql(
        "INSERT INTO gomphosis_line (line_id, posting_key, site, patient_id, service_day, code, "
        "quantity, amount, currency) SELECT 'L-2', posting_key, site, patient_id, service_day, "
        "code, quantity, amount, currency FROM gomphosis_line"
    )

    lines = lines_of(adapter)

    assert [line.posting_key for line in lines] == [KEY, KEY]
    assert len({line.line_id for line in lines}) == 2
