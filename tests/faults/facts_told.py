"""The facts of a study as the room's devices and people tell them over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.faults.http_door import Offer
from tests.faults.invented_group import generator_of
from tests.faults.invented_work import PlannedStudy, Shot

SET_EXPOSURE_MS = 120.0
LET_GO_AFTER_MS = 31.0
POSITIONING = "111209"
"""'Positioning', DICOM CID 7011, Rejected for Quality Reasons."""


def exposure(study: PlannedStudy, shot: Shot) -> Offer:
    """The generator's: it knows no patient."""
    aborted = shot.image is None
    payload = {
        "room": study.room,
        "generator": generator_of(study.room),
        "generator_serial": study.hospital.serial(study.room),
        "exposure_counter": shot.counter,
        "preset": shot.view,
        "receptor": "direct_sensor",
        "animal_size": "small",
        "tube_kv": 65.0,
        "tube_current_ma": 7.0,
        "set_exposure_ms": SET_EXPOSURE_MS,
        "exposure_ms": LET_GO_AFTER_MS if aborted else SET_EXPOSURE_MS,
        "ended_early": aborted,
    }
    return _offer("exposure_ended", shot.at, payload, version=2)


def decisions(study: PlannedStudy) -> Iterator[Offer]:
    """The technician's, but for the end of the study."""
    at = study.starts - timedelta(seconds=30)
    ready = {
        "study_instance_uid": study.study,
        "anaesthetic_plane_confirmed": True,
        "people_outside_beam": True,
        "new_sensor_cover": True,
    }
    yield _offer("readiness_checked", at, ready)
    for shot in study.shots:
        if shot.rejected:
            payload = {
                "study_instance_uid": study.study,
                "sop_instance_uid": shot.image,
                "reason_code": POSITIONING,
            }
            yield _offer("image_rejected", shot.at + timedelta(seconds=15), payload)
    for view in study.excused:
        payload = {
            "study_instance_uid": study.study,
            "view": view,
            "reason": "Asked for by the anaesthetist (invented)",
        }
        yield _offer("view_excused", study.ends + timedelta(seconds=20), payload)


def end(study: PlannedStudy) -> Offer:
    """The technician says that the imaging is over."""
    at = study.ends + timedelta(seconds=30)
    return _offer("study_closed", at, {"study_instance_uid": study.study})


def _offer(kind: str, at: datetime, payload: dict[str, Any], version: int = 1) -> Offer:
    return {
        "kind": kind,
        "schema_version": version,
        "occurred_at": at.astimezone(UTC).isoformat(),
        "payload": payload,
    }
