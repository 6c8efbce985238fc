"""Orders and patients that the record puts into its tables, each row told once.

Rows of both are only added. An order names its patient, whose last row is put into it.
"""

from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field
from sqlalchemy import Connection, Table, select

from schemas.base import Contract, Name, UtcTime
from schemas.errors import InvalidInput
from schemas.facts import OrderCancelled, OrderPlaced, PatientDescribed
from schemas.mappings.posted_codes import PostedCodes
from schemas.messages import read_payload
from services.records.adapters.sql_reading import (
    clock,
    may_still_be_written,
    read_as,
    texts,
    token_of,
    unreadable,
    values,
)
from services.records.adapters.sql_rows import kept
from services.records.adapters.sql_tables import ORDER, PATIENT
from services.records.port import OrderOffer, Unreadable

_MOST_AT_ONCE = 500

_OF_A_CANCELLATION = ("order_id", "reason")
_OF_AN_ORDER = (
    "order_id",
    "revision",
    "study_instance_uid",
    "accession_number",
    "plan",
    "room",
    "scheduled_at",
    "indication",
    "ordered_by",
    "account",
    "training",
    "referral",
)
_OF_A_PATIENT = (
    "patient_id",
    "name",
    "species",
    "breed",
    "sex",
    "neutered",
    "born_on",
    "responsible_person",
)


class OfferHead(Contract):
    """What every offered row says beside its content."""

    site: Name
    told_at: UtcTime
    kind: Literal["order_placed", "order_cancelled", "patient_described"] = "patient_described"
    patient_id: Annotated[str, Field(min_length=1)] | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"site": "north", "told_at": "2026-03-02T08:00:00Z", "kind": "order_placed"},
    )


class _NoPatient(InvalidInput):
    """The order's patient is not told yet."""


def read_offers(connection: Connection, codes: PostedCodes) -> Iterator[OrderOffer | Unreadable]:
    """Give the rows that are not taken yet, patients first. One still being written is left."""
    now = clock(connection)
    for table in (PATIENT, ORDER):
        query = select(*texts(table)).where(table.c.taken_at.is_(None))
        found = connection.execute(query.order_by(table.c.offer_id).limit(_MOST_AT_ONCE))
        for one in found.mappings().all():
            row = values(table, one)
            try:
                yield _offer(connection, table, row, codes)
            except _NoPatient as error:
                if not may_still_be_written(row, "told_at", now):
                    yield unreadable(table, row, error)
            except InvalidInput as error:
                yield unreadable(table, row, error)


def _offer(
    connection: Connection, table: Table, row: dict[str, Any], codes: PostedCodes
) -> OrderOffer:
    site = str(row.get("site", ""))
    head = read_as(OfferHead, table, {**row, "site": codes.site_of(site) or site})
    if table is PATIENT:
        content: dict[str, Any] = {"patient": _patient(row)}
        kind, version = PatientDescribed.KIND, PatientDescribed.VERSION
    elif head.kind == OrderCancelled.KIND:
        content = _chosen(row, _OF_A_CANCELLATION)
        kind, version = OrderCancelled.KIND, OrderCancelled.VERSION
    else:
        content = {
            **_chosen(row, _OF_AN_ORDER),
            "patient": _patient_of(connection, head.patient_id or ""),
        }
        kind, version = OrderPlaced.KIND, OrderPlaced.VERSION
    return OrderOffer(
        token=token_of(table, row["offer_id"]),
        site=head.site,
        occurred_at=head.told_at,
        source_clock=None,
        payload=read_payload(kind, version, content),
    )


def _patient_of(connection: Connection, patient_id: str) -> dict[str, Any]:
    query = select(*texts(PATIENT)).where(PATIENT.c.patient_id == kept(patient_id))
    last = connection.execute(query.order_by(PATIENT.c.offer_id.desc()).limit(1)).mappings().first()
    if last is None:
        expected = f"one that has a row in {PATIENT.name}"
        raise _NoPatient(f"{ORDER.name}.patient_id", patient_id, expected)
    return _patient(values(PATIENT, last))


def _patient(row: dict[str, Any]) -> dict[str, Any]:
    patient = _chosen(row, _OF_A_PATIENT)
    if "weight" in row or "weight_unit" in row:
        patient["weight"] = {"value": _weight(row), "unit": row.get("weight_unit")}
    return patient


def _weight(row: dict[str, Any]) -> Any:
    try:
        return float(row["weight"])
    except (KeyError, ValueError):
        return row.get("weight")


def _chosen(row: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: row[name] for name in names if name in row}
