"""How a fact is laid out for its table: where it stands, and what it is about."""

from typing import Final

from schemas.errors import InvalidInput
from schemas.facts import (
    FactWithdrawn,
    ImageStored,
    OrderCancelled,
    OrderPlaced,
    PatientDescribed,
    PatientMerged,
)
from schemas.group import Site
from services.assessment.counting import DECISIONS, Fact
from services.assessment.patient_facts import merged_into
from services.assessment.room_day import place_of
from services.assessment.store import FactRow

_MAX_KEY: Final = 300
"""As the facts of ``StudyAssessed`` allow."""

NAMED_BY_KEY: Final = frozenset(kind.KIND for kind in DECISIONS)
"""Kinds of fact that a withdrawal names by their natural key."""


def fact_row(fact: Fact, site: Site) -> FactRow:
    """Lay a fact out for its table.

    Raises InvalidInput where its natural key is longer than a conclusion may name: kept, it would
    stop every later assessment of its room-day.
    """
    if len(fact.natural_key) > _MAX_KEY:
        raise InvalidInput("natural_key", fact.natural_key, f"at most {_MAX_KEY} characters")
    place = place_of(fact, site)
    payload = fact.payload
    patient_id = about = None
    moment = place.moment if place else None
    match payload:
        case OrderPlaced():
            patient_id, about = payload.patient.patient_id, f"order:{payload.order_id}"
        case OrderCancelled():
            about = f"order:{payload.order_id}"
        case ImageStored():
            patient_id = payload.patient_id
        case PatientMerged():
            patient_id, about = payload.retired_patient_id, merged_into(payload.kept_patient_id)
        case PatientDescribed():
            patient_id, moment = payload.patient.patient_id, fact.occurred_at
        case FactWithdrawn():
            about = payload.withdrawn_key
        case _:
            pass
    return FactRow(
        site=fact.site,
        natural_key=fact.natural_key,
        kind=fact.kind,
        room=place.room if place else None,
        moment=moment,
        study=getattr(payload, "study_instance_uid", None),
        about=about,
        patient_id=patient_id,
        body=fact.encode(),
    )
