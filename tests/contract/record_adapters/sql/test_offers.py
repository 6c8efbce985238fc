"""Orders and patients that the record puts into its tables."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from schemas.facts import OrderCancelled, OrderPlaced, PatientDescribed
from services.records.adapters.sql import SqlAdapter
from services.records.port import OrderOffer, Unreadable
from tests.record_stand_ins.sql_server import SqlServer

LONG_AGO = "2026-03-02T08:00:00+01:00"
PATIENT: dict[str, Any] = {
    "site": "north",
    "patient_id": "P-1001",
    "name": "Invented Pepper",
    "species": "dog",
    "sex": "female",
    "neutered": True,
    "born_on": "2019-05-01",
    "weight": "11.425",
    "weight_unit": "kg",
    "told_at": LONG_AGO,
}
ORDER: dict[str, Any] = {
    "kind": "order_placed",
    "site": "north",
    "order_id": "1001",
    "study_instance_uid": "2.25.1001",
    "accession_number": "A1001",
    "patient_id": "P-1001",
    "plan": "dog-full-mouth",
    "room": "dental-1",
    "scheduled_at": "2026-03-02T10:00:00+01:00",
    "referral": True,
    "told_at": LONG_AGO,
}


def add(server: SqlServer, table: str, row: dict[str, Any], **changes: Any) -> None:
    told = {name: value for name, value in {**row, **changes}.items() if value is not None}
    names = ", ".join(f'"{name}"' for name in told)
    places = ", ".join(f":{name}" for name in told)
    server.sql(f"INSERT INTO gomphosis_{table} ({names}) VALUES ({places})", **told)


def test_a_patient_and_its_order_are_told_until_they_are_settled(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    add(record_side, "patient", PATIENT, weight="10.0")
    add(record_side, "patient", PATIENT)
    add(record_side, "order", ORDER)

    offers = list(adapter.read_orders())

    assert list(adapter.read_orders()) == offers
    first, second, order = [one for one in offers if isinstance(one, OrderOffer)]
    assert isinstance(first.payload, PatientDescribed)
    assert isinstance(second.payload, PatientDescribed)
    assert isinstance(order.payload, OrderPlaced)
    assert order.payload.patient == second.payload.patient, "its last row counts"
    assert order.payload.patient.weight is not None
    assert order.payload.patient.weight.value == 11.425
    assert order.payload.patient.born_on == date(2019, 5, 1)
    assert (order.payload.referral, order.payload.training) == (True, False)
    assert order.payload.scheduled_at == datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    assert order.occurred_at == datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
    for offer in offers:
        adapter.settle(offer)
    assert list(adapter.read_orders()) == []


def test_a_cancellation_and_a_changed_order_are_rows_of_their_own(
    record_side: SqlServer, tmp_path: Path
) -> None:
    codes = tmp_path / "codes.yaml"
    codes.write_text("charges_as_ours: true\nsites: {north: INV-N}\n")
    adapter = record_side.adapter(codes=str(codes))
    add(record_side, "patient", PATIENT)
    add(record_side, "order", ORDER, revision=2, site="INV-N")
    cancelled = {"kind": "order_cancelled", "site": "INV-N", "order_id": "1001"}
    add(record_side, "order", cancelled, reason="Declined (invented)")

    _patient, changed, gone = adapter.read_orders()

    adapter.close()
    assert isinstance(changed, OrderOffer)
    assert isinstance(changed.payload, OrderPlaced)
    assert (changed.site, changed.payload.revision) == ("north", 2)
    assert isinstance(gone, OrderOffer)
    assert isinstance(gone.payload, OrderCancelled)
    assert gone.payload.reason == "Declined (invented)"


def test_an_order_whose_patient_is_not_told_yet_waits_for_a_while(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    add(record_side, "order", ORDER, told_at=None)
    add(record_side, "order", ORDER, order_id="1002", patient_id="P-9")

    (late,) = adapter.read_orders()

    assert isinstance(late, Unreadable)
    assert late.error.field == "gomphosis_order.patient_id"
    adapter.settle(late)
    (row,) = record_side.sql("SELECT fault FROM gomphosis_order WHERE order_id = '1002'")
    assert "a row in gomphosis_patient" in row["fault"]
    add(record_side, "patient", PATIENT)
    assert len(list(adapter.read_orders())) == 2


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"kind": "charges_released"}, "gomphosis_order.kind"),
        ({"site": "../north"}, "gomphosis_order.site"),
        ({"plan": "No Plan"}, "payload.plan"),
        ({"room": None}, "payload.room"),
        ({"accession_number": "x" * 17}, "payload.accession_number"),
    ],
)
def test_a_row_that_breaks_the_contract_names_its_column_and_hides_no_other(
    record_side: SqlServer, adapter: SqlAdapter, changes: dict[str, Any], field: str
) -> None:
    add(record_side, "patient", PATIENT)
    add(record_side, "order", ORDER, **changes)
    add(record_side, "order", ORDER, order_id="1002")

    _patient, bad, good = adapter.read_orders()

    assert isinstance(bad, Unreadable)
    assert bad.error.field == field
    assert b'"1001"' in bad.body
    assert isinstance(good, OrderOffer)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("told_at", "2026-03-02 08:00:00"),
        ("scheduled_at", "tomorrow"),
        ("revision", "one"),
        ("training", "perhaps"),
        ("patient_id", b"\xff\xfe"),
    ],
)
def test_what_sqlite_keeps_in_a_column_of_another_type_is_named(
    sqlite_server: SqlServer, column: str, value: object
) -> None:
    sqlite_server.control(reset=True)
    add(sqlite_server, "patient", PATIENT)
    add(sqlite_server, "order", ORDER, order_id="1002")
    place = "CAST(x'FFFE' AS TEXT)" if isinstance(value, bytes) else f"'{value}'"
    sqlite_server.sql(f"UPDATE gomphosis_order SET {column} = {place}")
    adapter = sqlite_server.adapter()

    _patient, bad = adapter.read_orders()

    adapter.close()
    assert isinstance(bad, Unreadable)
    assert column in bad.error.field


def test_what_no_date_of_ours_can_hold_is_named(behind_proxy: SqlServer) -> None:
    add(behind_proxy, "patient", PATIENT, born_on="infinity")
    add(behind_proxy, "patient", PATIENT, told_at="infinity")
    adapter = behind_proxy.adapter()

    born, told = adapter.read_orders()

    adapter.close()
    assert isinstance(born, Unreadable)
    assert born.error.field == "payload.patient.born_on"
    assert isinstance(told, Unreadable)
    assert told.error.field == "gomphosis_patient.told_at"
