"""The worklist as a read model: kept by order facts, read by C-FIND."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select
from sqlalchemy.dialects import postgresql, sqlite

from schemas.facts import OrderCancelled, OrderPlaced, Patient
from services.intake.store import ORDER


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


def place(connection: Connection, site: str, order: OrderPlaced) -> None:
    """Put an order on the worklist, or change it where this revision is newer."""
    values = {
        "revision": order.revision,
        "study_instance_uid": order.study_instance_uid,
        "accession_number": order.accession_number,
        "room": order.room,
        "scheduled_at": order.scheduled_at,
        "plan": order.plan,
        "patient": order.patient.model_dump_json().encode(),
        "ordered_by": order.ordered_by,
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
    """List a site's orders that are not cancelled, by time; ``until`` is not included."""
    query = (
        select(ORDER)
        .where(ORDER.c.site == site, ORDER.c.cancelled.is_(False), ORDER.c.revision > 0)
        .order_by(ORDER.c.scheduled_at, ORDER.c.order_id)
    )
    if since is not None:
        query = query.where(ORDER.c.scheduled_at >= since)
    if until is not None:
        query = query.where(ORDER.c.scheduled_at < until)
    return [
        ScheduledOrder(
            order_id=row.order_id,
            study_instance_uid=row.study_instance_uid,
            accession_number=row.accession_number,
            room=row.room,
            scheduled_at=row.scheduled_at,
            plan=row.plan,
            patient=Patient.model_validate_json(row.patient),
            ordered_by=row.ordered_by,
        )
        for row in connection.execute(query)
    ]
