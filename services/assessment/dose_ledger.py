"""The table of doses: one row a study, for the patient's rolling sum and for the reports."""

from collections.abc import Collection, Iterator
from datetime import date
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    Float,
    Index,
    Integer,
    RowMapping,
    String,
    Table,
    Text,
    select,
)

from services.assessment.dose_rows import PatientDose, StudyDoseRow
from services.assessment.stored_period import of_period
from services.runtime.by_keys import Key, rows_of, rows_of_studies
from services.runtime.tables import METADATA
from services.runtime.upsert import replace_rows

DOSE = Table(
    "assessment_dose",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("patient_id", String(64), nullable=False),
    Column("day", Date, nullable=False),
    Column("exposure_count", Integer, nullable=False),
    Column("unknown_count", Integer, nullable=False),
    Column("unknown_kap_count", Integer, nullable=False),
    Column("kerma_mgy", Float, nullable=False),
    Column("kap_mgycm2", Float, nullable=False),
    Column("relative_uncertainty", Float),
    Column("basis", String(64), nullable=False),
    Column("room", String(64)),
    Column("training", Boolean, nullable=False),
    Column("species", String(16)),
    Column("weight_kg", Float),
    Column("people_checked", Boolean),
    Column("exposures", Text, nullable=False),
    Index("ix_assessment_dose_site_patient_id_day", "site", "patient_id", "day"),
    Index("ix_assessment_dose_site_day", "site", "day"),
)
"""Follows from ``assessment_study`` alone. ``exposures`` is JSON: see ``dose_rows``."""

_OF_PATIENT = (
    DOSE.c.site,
    DOSE.c.study_instance_uid,
    DOSE.c.patient_id,
    DOSE.c.day,
    DOSE.c.exposure_count,
    DOSE.c.unknown_count,
    DOSE.c.unknown_kap_count,
    DOSE.c.kerma_mgy,
    DOSE.c.kap_mgycm2,
    DOSE.c.relative_uncertainty,
    DOSE.c.basis,
)
_AT_ONCE = 1_000


def write_rows(connection: Connection, rows: Collection[tuple[str, StudyDoseRow]]) -> None:
    """Write rows, each with its site, in place of those of the same studies."""
    values = [
        {
            "site": site,
            "study_instance_uid": row.patient.study_instance_uid,
            "patient_id": row.patient.patient_id,
            "day": row.patient.day,
            "exposure_count": row.patient.exposures,
            "unknown_count": row.patient.unknown_exposures,
            "unknown_kap_count": row.patient.unknown_kap_exposures,
            "kerma_mgy": row.patient.kerma_mgy,
            "kap_mgycm2": row.patient.kap_mgycm2,
            "relative_uncertainty": row.patient.relative_uncertainty,
            "basis": ",".join(row.patient.basis),
            "room": row.room,
            "training": row.training,
            "species": row.species,
            "weight_kg": row.weight_kg,
            "people_checked": row.people_checked,
            "exposures": row.exposures,
        }
        for site, row in rows
    ]
    replace_rows(connection, DOSE, values)


def doses_of_studies(connection: Connection, studies: Collection[Key]) -> dict[Key, PatientDose]:
    """Read what is kept of some studies."""
    return {
        (row.site, row.study_instance_uid): _patient_dose(row)
        for row in rows_of_studies(connection, _OF_PATIENT, studies)
    }


def doses_of_patients(
    connection: Connection, patients: Collection[tuple[str, str]]
) -> list[tuple[str, PatientDose]]:
    """Read all studies of some patients, each named with its site; give each with its site."""
    by = (DOSE.c.site, DOSE.c.patient_id)
    return [
        (row.site, _patient_dose(row)) for row in rows_of(connection, _OF_PATIENT, by, patients)
    ]


def rows_between(
    connection: Connection, site: str | None, first: date | None, last: date | None
) -> Iterator[RowMapping]:
    """Read whole rows of the days ``first`` to ``last``, by site, day and study.

    An absent site or bound leaves nothing out.
    """
    query = of_period(select(DOSE), DOSE, site, first, last)
    found = connection.execution_options(yield_per=_AT_ONCE).execute(query)
    return (row._mapping for row in found)


def _patient_dose(row: Any) -> PatientDose:
    return PatientDose(
        study_instance_uid=row.study_instance_uid,
        patient_id=row.patient_id,
        day=row.day,
        exposures=row.exposure_count,
        unknown_exposures=row.unknown_count,
        unknown_kap_exposures=row.unknown_kap_count,
        kerma_mgy=row.kerma_mgy,
        kap_mgycm2=row.kap_mgycm2,
        relative_uncertainty=row.relative_uncertainty,
        basis=tuple(row.basis.split(",")) if row.basis else (),
    )
