"""What the record describes of an animal counts for its studies: weight, birth date, and all."""

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import AnimalSize, Patient, PatientDescribed, PatientMerged, Weight, WeightUnit
from schemas.teeth import Species
from services.assessment.animals import TOLD_AFTER
from services.assessment.room_day import RoomDay
from services.assessment.study import assess_room_day
from tests.room_facts import ROOM, STUDY, after, exposure, image, order, rules, site, told

DAY = RoomDay("north", ROOM, date(2026, 3, 2))
RULES = rules()
VIEW = RULES.plans["dog-full-mouth"].views[0].code

Facts = list[Message[Payload]]


def weight(kg: float) -> Weight:
    return Weight(value=kg, unit=WeightUnit.KG)


def dog(**changes: Any) -> Patient:
    values = {"patient_id": "P-1001", "name": "Invented Pepper", "species": Species.DOG} | changes
    return Patient(**values)


def described(seconds: float, **changes: Any) -> Message[Payload]:
    return told(PatientDescribed(patient=dog(**changes)), after(seconds), "record-north")


def merged(kept: str, retired: str, seconds: float = 900.0) -> Message[Payload]:
    return told(PatientMerged(kept_patient_id=kept, retired_patient_id=retired), after(seconds))


def taken(size: AnimalSize = AnimalSize.SMALL, animal: Patient | None = None) -> Facts:
    """A dog's study of one exposure, ordered an hour before, with no weight unless it is given."""
    return [
        order(patient=animal or dog(), plan="dog-full-mouth"),
        exposure(1, 0.0, animal_size=size),
        image(1, 3.0, view=VIEW),
    ]


def assess(facts: Facts) -> StudyAssessed:
    return assess_room_day(facts, site(), DAY, RULES)[STUDY]


def findings(study: StudyAssessed) -> list[str]:
    return [found.code for found in study.technique]


def test_a_described_weight_is_held_against_the_size_setting_where_the_order_has_none() -> None:
    heavy = described(-600.0, weight=weight(30.0))
    assert findings(assess(taken())) == []
    study = assess([*taken(), heavy])
    assert findings(study) == ["size-against-weight"]
    assert "30.0 kg" in study.technique[0].words
    assert heavy.natural_key in study.technique[0].facts
    assert heavy.natural_key in study.facts


def test_a_weight_described_after_the_order_outranks_the_orders_and_an_older_one_does_not() -> None:
    light = taken(animal=dog(weight=weight(4.0)))
    assert findings(assess([*light, described(60.0, weight=weight(30.0))])) == [
        "size-against-weight"
    ]
    # The order was told an hour before the study began.
    assert findings(assess([*light, described(-7200.0, weight=weight(30.0))])) == []


def test_a_description_without_a_weight_erases_none() -> None:
    facts = [*taken(), described(10.0, weight=weight(30.0)), described(20.0, breed="Beagle")]
    study = assess(facts)
    assert findings(study) == ["size-against-weight"]
    assert study.patient is not None
    assert (study.patient.weight, study.patient.breed) == (weight(30.0), "Beagle")


def test_merged_records_tell_of_one_animal_in_both_directions() -> None:
    for description, merge in (
        (described(10.0, patient_id="P-0900", weight=weight(30.0)), merged("P-1001", "P-0900")),
        (described(10.0, patient_id="P-3000", weight=weight(30.0)), merged("P-3000", "P-1001")),
    ):
        assert findings(assess([*taken(), description])) == []
        study = assess([*taken(), description, merge])
        assert findings(study) == ["size-against-weight"]
        assert merge.natural_key in study.facts


def test_another_animals_weight_is_never_used() -> None:
    assert findings(assess([*taken(), described(10.0, patient_id="P-2", weight=weight(30.0))])) == (
        []
    )


def test_a_weight_of_a_later_visit_is_not_this_studys_and_a_late_correction_is() -> None:
    _, ends = DAY.window(site().zone)
    for late, expected in (
        (TOLD_AFTER, ["size-against-weight"]),
        (TOLD_AFTER + timedelta(seconds=1), []),
    ):
        told_late = told(PatientDescribed(patient=dog(weight=weight(30.0))), ends + late)
        assert findings(assess([*taken(), told_late])) == expected


def test_a_described_birth_date_tells_which_teeth_and_which_plan() -> None:
    born = described(-60.0, born_on=date(2026, 1, 10))
    study = assess([*taken(), born])
    asked = [q for q in study.questions if q.code == "plan-against-age"]
    assert len(asked) == 1
    assert "deciduous teeth" in asked[0].words
    assert born.natural_key in asked[0].about
    assert "plan-against-age" not in [q.code for q in assess(taken()).questions]


def test_a_described_weight_tells_which_plan_an_unknown_one_would_be() -> None:
    cat = {"species": Species.CAT, "weight": weight(4.2)}
    facts = [order(patient=dog(), plan="no-such-plan"), described(0.0, **cat)]
    study = assess(facts)
    assert "it would be cat, full mouth" in study.questions[0].words


def everything() -> Facts:
    return [
        *taken(animal=dog(weight=weight(9.0))),
        described(10.0, weight=weight(30.0)),
        described(20.0, name="Invented Peper"),
        described(20.0, patient_id="P-0900", born_on=date(2026, 1, 10)),
        described(30.0, patient_id="P-3000", weight=weight(11.0), neutered=True),
        merged("P-1001", "P-0900"),
        merged("P-3000", "P-1001", 950.0),
    ]


EXPECTED = assess(everything())


@settings(deadline=None, max_examples=40)
@given(data=st.data())
def test_order_and_repetition_of_descriptions_change_nothing(data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(everything()))
    again = data.draw(st.lists(st.sampled_from(everything()), max_size=5))
    assert assess([*shuffled, *again]) == EXPECTED


@pytest.mark.parametrize("left_out", range(3, len(everything())))
def test_a_description_taken_out_and_told_later_leads_back(left_out: int) -> None:
    facts = everything()
    without = [fact for number, fact in enumerate(facts) if number != left_out]
    assess(without)
    assert assess([*without, facts[left_out]]) == EXPECTED
