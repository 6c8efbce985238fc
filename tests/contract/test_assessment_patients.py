"""Descriptions and merges of patients on a real store: in any order, the same assessments."""

import random
from importlib import import_module

from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import update

from schemas.facts import PatientDescribed
from services.assessment.store import FACT
from services.runtime.store import Store
from tests.contract.test_assessment_worker import content, empty, fresh, handle, newest, sent
from tests.room_facts import STUDY, after, told
from tests.unit.test_animals import described, dog, everything, merged, taken, weight


def codes(store: Store) -> list[str]:
    return [found.code for found in newest(store)[STUDY].technique]


def test_a_description_before_or_after_its_study_ends_in_the_same_assessment(store: Store) -> None:
    facts = everything()
    handle(store, facts, fresh())
    expected = content(newest(store))
    handler = fresh()
    for seed in range(6):
        empty(store)
        random.Random(seed).shuffle(facts)
        for fact in facts:
            handle(store, [fact], handler)
        assert content(newest(store)) == expected, f"seed {seed}"


def test_a_merge_brings_a_description_to_the_studies_of_both_records(store: Store) -> None:
    handle(store, [*taken(), described(0.0, patient_id="P-0900", weight=weight(30.0))], fresh())
    assert codes(store) == []
    handle(store, [merged("P-1001", "P-0900")], fresh())
    assert codes(store) == ["size-against-weight"]


def test_a_weight_of_a_later_visit_makes_no_new_revision_of_an_old_study(store: Store) -> None:
    handle(store, [*taken(), described(-60.0, weight=weight(4.0))], fresh())
    later = told(PatientDescribed(patient=dog(weight=weight(30.0))), after(40 * 86_400.0))
    handle(store, [later], fresh())
    assert len(sent(store)) == 1
    soon = told(PatientDescribed(patient=dog(weight=weight(30.0))), after(2 * 86_400.0))
    handle(store, [soon], fresh())
    assert newest(store)[STUDY].revision == 2


def test_what_an_older_version_kept_is_found_by_its_patients(store: Store) -> None:
    # given: as it was kept, neither the animal described nor the record kept was named
    handle(store, [described(0.0, patient_id="P-0900", weight=weight(30.0))], fresh())
    handle(store, [merged("P-1001", "P-0900")], fresh())
    with store.begin() as connection:
        connection.execute(update(FACT).values(patient_id=None, moment=None, about=None))
        connection.execute(
            update(FACT).where(FACT.c.kind == "patient_merged").values(patient_id="P-0900")
        )
    # when
    step = import_module("services.runtime.migrations.versions.r0012_room_day")
    with store.begin() as connection, Operations.context(MigrationContext.configure(connection)):
        step.fill_in()
    handle(store, taken(), fresh())
    # then
    assert codes(store) == ["size-against-weight"]
