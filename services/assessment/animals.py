"""What is known of a study's animal: by its order, and by what the record describes of it.

Each field is that of its newest telling by the teller's own time; one that says nothing of a
field erases nothing. Merged records tell of one animal.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from schemas.facts import OrderPlaced, Patient, PatientDescribed
from services.assessment.counting import Fact, PatientIds, in_time, told

TOLD_AFTER: Final = timedelta(days=7)
"""How long after its room-day's end a description still tells of a study: corrections come late,
and a weight of another visit is not this one's. A default of ours."""

_LASTING: Final = ("breed", "sex", "neutered", "born_on", "weight", "responsible_person")
"""What a telling may leave out. Name and species are told always: the newest counts."""


@dataclass(frozen=True, slots=True)
class KnownAnimal:
    """``patient`` as it is known, under the id of its order; ``weight_from`` and ``born_from``
    are the natural keys of the facts that told these, ``facts`` of all that count."""

    patient: Patient
    weight_from: str
    born_from: str
    facts: tuple[str, ...]


def descriptions_by_animal(
    facts: Iterable[Fact], ids: PatientIds, until: datetime
) -> dict[str, tuple[Fact, ...]]:
    """Give the descriptions told until a moment, by the patient id that now holds."""
    found: dict[str, list[Fact]] = {}
    for fact, described in told(facts, PatientDescribed):
        if fact.occurred_at <= until:
            found.setdefault(ids.current(described.patient.patient_id), []).append(fact)
    return {animal: tuple(sorted(members, key=in_time)) for animal, members in found.items()}


def known_animal(
    order_fact: Fact, order: OrderPlaced, descriptions: Sequence[Fact], ids: PatientIds
) -> KnownAnimal:
    """Put together what an order and the descriptions of its animal say."""
    by_key = {order_fact.natural_key: (order_fact, order.patient)}
    by_key |= {f.natural_key: (f, d.patient) for f, d in told(descriptions, PatientDescribed)}
    tellings = sorted(by_key.values(), key=lambda one: in_time(one[0]))
    newest_fact, newest = tellings[-1]
    values: dict[str, Any] = {"patient_id": order.patient.patient_id}
    told_by: dict[str, str] = {}
    for name in _LASTING:
        for fact, patient in reversed(tellings):
            if getattr(patient, name) is not None:
                values[name], told_by[name] = getattr(patient, name), fact.natural_key
                break
    used = {newest_fact.natural_key, *told_by.values()}
    ids_read = {by_key[key][1].patient_id for key in used}
    merges = {key for one in ids_read for key in ids.facts_used(one)}
    return KnownAnimal(
        newest.model_copy(update=values),
        told_by.get("weight", order_fact.natural_key),
        told_by.get("born_on", order_fact.natural_key),
        tuple(sorted(used | merges)),
    )
