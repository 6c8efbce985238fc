"""A row of doses for each study, filled from the assessments that are kept."""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_AT_ONCE = 500


def upgrade() -> None:
    dose = op.create_table(
        "assessment_dose",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("patient_id", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("exposure_count", sa.Integer, nullable=False),
        sa.Column("unknown_count", sa.Integer, nullable=False),
        sa.Column("unknown_kap_count", sa.Integer, nullable=False),
        sa.Column("kerma_mgy", sa.Float, nullable=False),
        sa.Column("kap_mgycm2", sa.Float, nullable=False),
        sa.Column("relative_uncertainty", sa.Float),
        sa.Column("basis", sa.String(64), nullable=False),
        sa.Column("room", sa.String(64)),
        sa.Column("training", sa.Boolean, nullable=False),
        sa.Column("species", sa.String(16)),
        sa.Column("weight_kg", sa.Float),
        sa.Column("people_checked", sa.Boolean),
        sa.Column("exposures", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_assessment_dose"),
    )
    op.create_index(
        "ix_assessment_dose_site_patient_id_day", "assessment_dose", ["site", "patient_id", "day"]
    )
    op.create_index("ix_assessment_dose_site_day", "assessment_dose", ["site", "day"])
    connection = op.get_bind()
    for rows in _rows(connection):
        connection.execute(sa.insert(dose), rows)


def downgrade() -> None:
    op.drop_table("assessment_dose")


def _rows(connection: sa.Connection) -> Iterator[list[dict[str, Any]]]:
    """Read the kept assessments, some at a time, as they were written until this revision."""
    study = sa.table("assessment_study", *map(sa.column, ("site", "study_instance_uid", "body")))
    after = ("", "")
    while True:
        found = connection.execute(
            sa.select(study)
            .where(sa.tuple_(study.c.site, study.c.study_instance_uid) > sa.tuple_(*after))
            .order_by(study.c.site, study.c.study_instance_uid)
            .limit(_AT_ONCE)
        ).all()
        if not found:
            return
        after = (found[-1].site, found[-1].study_instance_uid)
        yield [_row(one.site, json.loads(one.body)) for one in found]


def _row(site: str, study: dict[str, Any]) -> dict[str, Any]:
    dose, patient = study["dose"], study.get("patient") or {}
    views = {image["sop_instance_uid"]: image.get("view") for image in study["images"]}
    counted = [one for one in study["exposures"] if one["use"] != "proposed"]
    return {
        "site": site,
        "study_instance_uid": study["study_instance_uid"],
        "patient_id": study["patient_id"],
        "day": datetime.strptime(study["day"], "%Y-%m-%d").date(),  # noqa: DTZ007 - a day alone
        "exposure_count": dose["exposures"],
        "unknown_count": dose["unknown_exposures"],
        "unknown_kap_count": sum(one.get("kap_mgycm2") is None for one in counted),
        "kerma_mgy": dose["kerma_mgy"],
        "kap_mgycm2": dose["kap_mgycm2"],
        "relative_uncertainty": dose.get("relative_uncertainty"),
        "basis": ",".join(dose.get("basis", ())),
        "room": study.get("room"),
        "training": study.get("training", False),
        "species": patient.get("species"),
        "weight_kg": _kg(patient.get("weight")),
        "people_checked": None,
        "exposures": json.dumps(
            [_exposure(one, views) for one in study["exposures"]], separators=(",", ":")
        ),
    }


def _kg(weight: dict[str, Any] | None) -> float | None:
    if weight is None:
        return None
    # 1 lb = 0.45359237 kg exactly (NIST Handbook 44, appendix C; from memory).
    return float(weight["value"]) * (0.45359237 if weight["unit"] == "lb" else 1.0)


def _exposure(one: dict[str, Any], views: dict[str, str | None]) -> list[Any]:
    shown = one.get("sop_instance_uid") if one["use"] == "image" else None
    return [
        round(datetime.fromisoformat(one["occurred_at"]).timestamp(), 3),
        one.get("generator"),
        one.get("operator"),
        views.get(shown) if shown is not None else None,
        one.get("preset"),
        one["use"],
        one.get("repeat", False),
        one["tube_kv"],
        one["tube_current_ma"],
        one["exposure_ms"],
        one.get("kerma_mgy"),
        one.get("kap_mgycm2"),
        one.get("dose_basis", "unknown"),
        one.get("relative_uncertainty"),
    ]
