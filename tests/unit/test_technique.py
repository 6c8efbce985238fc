"""Settings against the chart, the size rule and the sensor; a change by hand holds once."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import schemas.techniques
from schemas.conclusions import Concern
from schemas.errors import InvalidInput
from schemas.facts import AnimalSize, ExposureEnded, Patient, Receptor, Weight, WeightUnit
from schemas.facts.image import ImageStored
from schemas.group import Sensor
from schemas.plans import View
from schemas.techniques import SizeRule, TechniqueChart, load_technique_chart
from schemas.teeth import Species
from services.assessment.technique import Animal, TechniqueCase, Told, technique_findings
from tests.room_facts import image as image_fact

CHART = load_technique_chart()
CAT = Animal(Patient(patient_id="P-1", name="Invented", species=Species.CAT), "order:1:1")


def dog(kg: float | None) -> Animal:
    weight = None if kg is None else Weight(value=kg, unit=WeightUnit.KG)
    patient = Patient(patient_id="P-2", name="Invented", species=Species.DOG, weight=weight)
    return Animal(patient, "order:1:1")


def told(number: int = 1, **changes: Any) -> Told:
    values: dict[str, Any] = {
        "room": "dental-1",
        "generator": "generator-1",
        "generator_serial": "INVENTED-0001",
        "exposure_counter": number,
        "preset": "side-upper",
        "receptor": Receptor.DIRECT_SENSOR,
        "animal_size": AnimalSize.SMALL,
        "tube_kv": 65.0,
        "tube_current_ma": 7.0,
        "set_exposure_ms": 120.0,
        "exposure_ms": 120.0,
    }
    return Told(f"exposure:{number}", ExposureEnded(**(values | changes)))


def image(**changes: Any) -> ImageStored:
    payload = image_fact(1, 3.0, **changes).payload
    assert isinstance(payload, ImageStored)
    return payload


def codes(case: TechniqueCase, animal: Animal | None = None) -> list[str]:
    return [finding.code for finding in technique_findings([case], CHART, animal)]


def test_an_exposure_at_its_preset_finds_nothing() -> None:
    assert codes(TechniqueCase(told()), CAT) == []


def test_rounding_of_settings_is_not_remarked() -> None:
    assert codes(TechniqueCase(told(set_exposure_ms=121.0))) == []


def test_an_early_end_is_no_deviation_of_the_setting() -> None:
    assert codes(TechniqueCase(told(exposure_ms=30.0, ended_early=True))) == []


def test_a_change_by_hand_is_noted_with_its_size() -> None:
    case = TechniqueCase(told(set_exposure_ms=150.0, manual_setting=True))
    (finding,) = technique_findings([case], CHART, None)
    assert (finding.code, finding.concern) == ("manual-setting", Concern.NOTE)
    assert "150 ms instead of 120 ms (+25%)" in finding.words


def test_a_setting_off_its_preset_with_no_change_told_wants_a_look() -> None:
    case = TechniqueCase(told(tube_kv=70.0))
    (finding,) = technique_findings([case], CHART, None)
    assert (finding.code, finding.concern) == ("off-preset", Concern.CHECK)


def test_the_exposure_after_a_change_by_hand_must_be_back_at_its_preset() -> None:
    by_hand = told(1, set_exposure_ms=150.0, manual_setting=True)
    back = TechniqueCase(told(2), before=by_hand)
    not_back = TechniqueCase(told(2, set_exposure_ms=150.0), before=by_hand)
    assert codes(back) == []
    (finding,) = technique_findings([not_back], CHART, None)
    assert finding.code == "not-back-at-preset"
    assert finding.facts == ("exposure:1", "exposure:2")
    assert "common practice, no published source" in finding.words


def test_the_same_change_by_hand_twice_running_is_flagged_and_another_change_is_not() -> None:
    by_hand = told(1, set_exposure_ms=150.0, manual_setting=True)
    same = TechniqueCase(told(2, set_exposure_ms=150.0, manual_setting=True), before=by_hand)
    other = TechniqueCase(told(2, set_exposure_ms=180.0, manual_setting=True), before=by_hand)
    assert codes(same) == ["not-back-at-preset"]
    assert codes(other) == ["manual-setting"]


def test_a_preset_and_a_setting_that_the_chart_lacks_are_named() -> None:
    assert codes(TechniqueCase(told(preset="nowhere"))) == ["preset-not-in-chart"]
    without = CHART.model_dump(mode="json")
    without["presets"][2]["settings"] = without["presets"][2]["settings"][:1]
    chart = TechniqueChart.model_validate_json(json.dumps(without))
    case = TechniqueCase(told(receptor=Receptor.FILM))
    assert [f.code for f in technique_findings([case], chart, None)] == ["setting-not-in-chart"]


def test_without_a_chart_no_setting_is_compared() -> None:
    assert technique_findings([TechniqueCase(told(set_exposure_ms=900.0))], None, None) == ()


@pytest.mark.parametrize(
    ("animal", "size", "expected"),
    [
        (dog(13.6), AnimalSize.LARGE, ["size-against-weight"]),
        (dog(13.61), AnimalSize.LARGE, []),
        (dog(13.61), AnimalSize.SMALL, ["size-against-weight"]),
        (dog(None), AnimalSize.SMALL, []),
        (CAT, AnimalSize.LARGE, ["size-against-weight"]),
        (CAT, AnimalSize.SMALL, []),
    ],
)
def test_the_size_setting_is_held_against_species_and_weight(
    animal: Animal, size: AnimalSize, expected: list[str]
) -> None:
    # 30 lb is 13.608 kg; the border belongs to the large.
    case = TechniqueCase(told(animal_size=size, preset=None))
    assert codes(case, animal) == expected


def test_the_default_size_rule_says_that_it_is_practice_only() -> None:
    case = TechniqueCase(told(animal_size=AnimalSize.LARGE))
    (finding,) = technique_findings([case], None, dog(5.0))
    assert "common practice, no published source" in finding.words
    assert finding.facts == ("exposure:1", "order:1:1")


@given(st.floats(0.1, 90.0), st.floats(0.1, 90.0))
def test_a_site_draws_its_own_border_of_size(border_kg: float, weight_kg: float) -> None:
    rule = SizeRule(small_under_kg=border_kg, always_small=())
    small = rule.size_of(Species.CAT, weight_kg) is AnimalSize.SMALL
    assert small == (weight_kg < border_kg)


def test_a_preset_for_other_teeth_than_the_image_shows_is_noted() -> None:
    assert codes(TechniqueCase(told(), image=image(teeth=(309, 310)))) == ["preset-of-other-teeth"]
    assert codes(TechniqueCase(told(), image=image(teeth=(508,)))) == []
    assert codes(TechniqueCase(told(), image=image())) == []


def test_a_sensor_of_another_kind_size_or_name_is_told() -> None:
    plate = Sensor(name="plate-a", receptor=Receptor.STORAGE_PHOSPHOR_PLATE, receptor_size=4)
    view = View.model_validate_json(json.dumps(View.EXAMPLES[0]))
    case = TechniqueCase(
        told(preset="side-lower", set_exposure_ms=100.0, sensor="sensor-b"),
        image=image(sensor="plate-a"),
        image_key="image:1",
        view=view,
        sensor=plate,
    )
    found = technique_findings([case], CHART, None)
    assert [f.code for f in found] == [
        "receptor-differs",
        "receptor-size-differs",
        "sensor-differs",
    ]
    assert all(f.facts == ("exposure:1", "image:1") for f in found)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("animal_size: large", "animal_size: small", "each receptor and size once"),
        ("front-lower", "front-upper", "each preset name once"),
        ("[301, 302", "[301, 301", "each tooth once"),
        ("[301, 302", "[390, 302", "tooth 390 does not exist"),
        ("tolerance:", "tolerence:", "was tolerance meant"),
    ],
)
def test_a_wrong_chart_is_explained(tmp_path: Path, old: str, new: str, words: str) -> None:
    packaged = Path(schemas.techniques.__file__).with_name("invented_chart.yaml")
    wrong = tmp_path / "ours.yaml"
    wrong.write_text(packaged.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InvalidInput, match=words):
        load_technique_chart(wrong)


def test_the_packaged_chart_says_that_it_is_invented() -> None:
    assert CHART.basis == "invented"
    assert "invention" in CHART.note
