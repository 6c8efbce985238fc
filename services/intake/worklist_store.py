"""The worklist as a read model: kept by facts of orders, patients and studies, read by C-FIND."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, exists, select
from sqlalchemy.dialects import postgresql, sqlite

from schemas.facts import OrderCancelled, OrderPlaced, Patient
from services.intake.store import CLOSED_STUDY, ORDER
from services.intake.worklist_patients import PatientReadings


@dataclass(frozen=True, slots=True)
class ScheduledOrder:
    """One order on a site's worklist."""

    order_id: str
    study_instance_uid: str
    accession_number: str
    room: str
    scheduled_at: datetime
    plan: str
    patient: Patient
    ordered_by: str | None = None


def place(
    connection: Connection, site: str, order: OrderPlaced, told_at: datetime | None = None
) -> None:
    """Put an order on the worklist, or change it where this revision is newer.

    ``told_at`` is when the record told it: a patient described later reads as described.
    """
    values = {
        "revision": order.revision,
        "study_instance_uid": order.study_instance_uid,
        "accession_number": order.accession_number,
        "room": order.room,
        "scheduled_at": order.scheduled_at,
        "plan": order.plan,
        "patient": order.patient.model_dump_json().encode(),
        "ordered_by": order.ordered_by,
        "told_at": told_at,
    }
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    row = {"site": site, "order_id": order.order_id, "cancelled": False, **values}
    connection.execute(
        dialect.insert(ORDER)
        .values(row)
        .on_conflict_do_update(
            index_elements=[ORDER.c.site, ORDER.c.order_id],
            set_=values,
            where=ORDER.c.revision < order.revision,
        )
    )


def cancel(connection: Connection, site: str, order: OrderCancelled) -> None:
    """Take an order off the worklist for good, even if it is placed only later."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    connection.execute(
        dialect.insert(ORDER)
        .values(site=site, order_id=order.order_id, revision=0, cancelled=True)
        .on_conflict_do_update(
            index_elements=[ORDER.c.site, ORDER.c.order_id], set_={"cancelled": True}
        )
    )


def scheduled(
    connection: Connection,
    site: str,
    since: datetime | None = None,
    until: datetime | None = None,
) -> Sequence[ScheduledOrder]:
    """List a site's orders by time; ``until`` is not included.

    A cancelled order is not there, nor one whose study was closed, even if it is placed anew.
    """
    closed = exists().where(
        CLOSED_STUDY.c.site == ORDER.c.site,
        CLOSED_STUDY.c.study_instance_uid == ORDER.c.study_instance_uid,
    )
    query = (
        select(ORDER)
        .where(ORDER.c.site == site, ORDER.c.cancelled.is_(False), ORDER.c.revision > 0, ~closed)
        .order_by(ORDER.c.scheduled_at, ORDER.c.order_id)
    )
    if since is not None:
        query = query.where(ORDER.c.scheduled_at >= since)
    if until is not None:
        query = query.where(ORDER.c.scheduled_at < until)
    found = [(row, Patient.model_validate_json(row.patient)) for row in connection.execute(query)]
    patients = PatientReadings(connection, site, {patient.patient_id for _, patient in found})
    return [
        ScheduledOrder(
            order_id=row.order_id,
            study_instance_uid=row.study_instance_uid,
            accession_number=row.accession_number,
            room=row.room,
            scheduled_at=row.scheduled_at,
            plan=row.plan,
            patient=patients.read(patient, row.told_at),
            ordered_by=row.ordered_by,
        )
        for row, patient in found
    ]
