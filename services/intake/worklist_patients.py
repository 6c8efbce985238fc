"""How patients of the worklist read now: merged, and described anew since their order.

A retired id reads as the one that was kept, by the newest merge of each id; of several
descriptions the newest counts, over an order that was told before it. Facts may come in any order.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, and_, or_, select
from sqlalchemy.dialects import postgresql, sqlite

from schemas.facts import Patient, PatientMerged
from services.intake.store import PATIENT

_PAGE = 500


@dataclass(frozen=True, slots=True)
class _Told:
    described_at: datetime | None
    patient: Patient | None
    merged_into: str | None


def describe(connection: Connection, site: str, patient: Patient, at: datetime) -> None:
    """Keep a description, unless a newer one is known."""
    _put(
        connection,
        site,
        patient.patient_id,
        {"described_at": at, "patient": patient.model_dump_json().encode()},
        or_(PATIENT.c.described_at.is_(None), PATIENT.c.described_at < at),
    )


def merge(connection: Connection, site: str, merged: PatientMerged, at: datetime) -> None:
    """Keep a merge, unless a newer one of the same id is known."""
    kept = merged.kept_patient_id
    _put(
        connection,
        site,
        merged.retired_patient_id,
        {"merged_at": at, "merged_into": kept},
        or_(
            PATIENT.c.merged_at.is_(None),
            PATIENT.c.merged_at < at,
            # Of two at one moment one must win whichever came first.
            and_(PATIENT.c.merged_at == at, PATIENT.c.merged_into < kept),
        ),
    )


class PatientReadings:
    """What is told of these patients, and of those that they were merged into."""

    def __init__(self, connection: Connection, site: str, patient_ids: Collection[str]) -> None:
        self._told: dict[str, _Told] = {}
        asked: set[str] = set()
        wanted = set(patient_ids)
        while wanted:
            asked |= wanted
            found = _read(connection, site, sorted(wanted))
            self._told |= found
            wanted = {one.merged_into for one in found.values() if one.merged_into} - asked

    def read(self, patient: Patient, told_at: datetime | None) -> Patient:
        """Give the patient of an order told at ``told_at`` as it reads now."""
        chain = self._chain(patient.patient_id)
        current = min(chain) if self._is_ring(chain) else chain[-1]
        newest, newest_at = patient, told_at
        for told in (self._told[one] for one in chain if one in self._told):
            if told.patient is None or told.described_at is None:
                continue
            if newest_at is None or told.described_at > newest_at:
                newest, newest_at = told.patient, told.described_at
        return newest.model_copy(update={"patient_id": current})

    def _chain(self, patient_id: str) -> list[str]:
        chain = [patient_id]
        while (told := self._told.get(chain[-1])) is not None and told.merged_into:
            if told.merged_into in chain:
                break
            chain.append(told.merged_into)
        return chain

    def _is_ring(self, chain: list[str]) -> bool:
        """Merged in a ring, the smallest id stands for all of them, as in the assessment."""
        last = self._told.get(chain[-1])
        return last is not None and last.merged_into is not None


def _put(
    connection: Connection, site: str, patient_id: str, values: dict[str, object], newer: object
) -> None:
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    connection.execute(
        dialect.insert(PATIENT)
        .values(site=site, patient_id=patient_id, **values)
        .on_conflict_do_update(
            index_elements=list(PATIENT.primary_key.columns), set_=values, where=newer
        )
    )


def _read(connection: Connection, site: str, patient_ids: list[str]) -> dict[str, _Told]:
    found = {}
    for start in range(0, len(patient_ids), _PAGE):
        query = select(PATIENT).where(
            PATIENT.c.site == site, PATIENT.c.patient_id.in_(patient_ids[start : start + _PAGE])
        )
        for row in connection.execute(query):
            patient = Patient.model_validate_json(row.patient) if row.patient else None
            found[row.patient_id] = _Told(row.described_at, patient, row.merged_into)
    return found
