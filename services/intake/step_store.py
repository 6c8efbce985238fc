"""Performed steps as rows: what a station told of each so far."""

from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO

from pydicom.dataset import Dataset
from pynetdicom.dsutils import decode, encode
from sqlalchemy import Connection, select, update

from schemas.errors import InvalidInput
from schemas.facts import StepStatus
from services.intake.store import STEP
from services.runtime.upsert import add_row


@dataclass(frozen=True, slots=True)
class KeptStep:
    """A step of one site; ``attributes`` is the whole data set so far."""

    step_instance_uid: str
    station: str
    study_instance_uid: str
    status: StepStatus
    attributes: Dataset


def insert_step(connection: Connection, site: str, step: KeptStep) -> bool:
    """Keep a new step; tell whether its UID was free at this site."""
    row = {
        "site": site,
        "step_instance_uid": step.step_instance_uid,
        "station": step.station,
        "study_instance_uid": step.study_instance_uid,
        "status": step.status.value,
        "attributes": _encoded(step.attributes),
        "changed_at": datetime.now(UTC),
    }
    return add_row(connection, STEP, row)


def find_step(connection: Connection, site: str, step_instance_uid: str) -> KeptStep | None:
    row = connection.execute(
        select(STEP).where(STEP.c.site == site, STEP.c.step_instance_uid == step_instance_uid)
    ).one_or_none()
    if row is None:
        return None
    return KeptStep(
        row.step_instance_uid,
        row.station,
        row.study_instance_uid,
        StepStatus(row.status),
        decode(BytesIO(row.attributes), False, True),  # explicit VR, little endian
    )


def change_step(connection: Connection, site: str, step: KeptStep) -> None:
    connection.execute(
        update(STEP)
        .where(STEP.c.site == site, STEP.c.step_instance_uid == step.step_instance_uid)
        .values(
            status=step.status.value,
            attributes=_encoded(step.attributes),
            changed_at=datetime.now(UTC),
        )
    )


def _encoded(attributes: Dataset) -> bytes:
    # Stations may change their character set between two messages (PS3.4 F.7.2.2.3), so all
    # texts are kept in one that holds them all.
    attributes.SpecificCharacterSet = "ISO_IR 192"
    body: bytes | None = encode(attributes, False, True)
    if body is None:
        raise InvalidInput("data set", "values that break their VR", "one that can be written")
    return body
