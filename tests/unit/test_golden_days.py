"""The golden room-days of ``tests/golden``: told in any order, they end as their files say."""

import random
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.conclusions import ExposureUse, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import SensorHanded
from schemas.facts.exposure import Receptor, ToldBy
from tests.room_facts import (
    OTHER_STUDY,
    STUDY,
    after,
    assess,
    exposure,
    image,
    order,
    patient,
    told,
)

FOLDER = Path(__file__).parents[1] / "golden"
FILES = sorted(FOLDER.glob("*.yaml"))
STUDIES = {"A": STUDY, "B": OTHER_STUDY}
PATIENTS = {"A": "P-1001", "B": "P-2001"}


class Golden:
    """One file: its facts, with the natural key of each exposure by its number."""

    def __init__(self, file: Path) -> None:
        self.told: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
        self.expect: dict[str, Any] = self.told["expect"]
        self.facts: list[Message[Payload]] = []
        self.key: dict[int, str] = {}
        for name in sorted({one["study"] for one in self.told["images"]}):
            animal = patient(patient_id=PATIENTS[name])
            self.facts.append(order(STUDIES[name], patient=animal))
        for one in self.told["exposures"]:
            self._expose(dict(one))
        for one in self.told["images"]:
            self._store(dict(one))
        for one in self.told.get("handovers", ()):
            handed = SensorHanded(sensor=one["sensor"], from_room=one["from"], to_room=one["to"])
            self.facts.append(told(handed, after(one["at"])))

    def _expose(self, one: dict[str, Any]) -> None:
        number, at_s = one.pop("n"), one.pop("at")
        one.pop("same_as", None)
        if "exposure_ms" in one and not one.get("ended_early"):
            one["set_exposure_ms"] = one["exposure_ms"] = float(one["exposure_ms"])
        elif "exposure_ms" in one:
            one["exposure_ms"] = float(one["exposure_ms"])
        if "receptor" in one:
            one["receptor"] = Receptor(one["receptor"])
        if "told_by" in one:
            one["told_by"] = ToldBy(one["told_by"])
            one["exposure_counter"] = None
        if "study" in one:
            one["study_instance_uid"] = STUDIES[one.pop("study")]
        fact = exposure(number, at_s, **one)
        self.key[number] = fact.natural_key
        self.facts.append(fact)

    def _store(self, one: dict[str, Any]) -> None:
        number, at_s, name = one.pop("n"), one.pop("at"), one.pop("study")
        if "exposure_ms" in one:
            one["exposure_ms"] = float(one["exposure_ms"])
        self.facts.append(image(number, at_s, STUDIES[name], patient_id=PATIENTS[name], **one))


def linked(golden: Golden, studies: dict[str, StudyAssessed]) -> dict[int, int | str]:
    """Give for each image its exposure by number, or which one a person is asked about."""
    number_of = {key: number for number, key in golden.key.items()}
    found: dict[int, int | str] = {}
    for study in studies.values():
        for one in study.images:
            number = int(one.sop_instance_uid.rsplit(".", 1)[-1])
            if one.exposure_key is not None:
                found[number] = number_of[one.exposure_key]
        for made in study.exposures:
            if made.use is ExposureUse.PROPOSED and made.sop_instance_uid is not None:
                number = int(made.sop_instance_uid.rsplit(".", 1)[-1])
                found[number] = f"asks: {number_of[made.exposure_key]}"
    return found


@pytest.mark.parametrize("file", FILES, ids=[file.stem for file in FILES])
def test_a_golden_day_ends_as_its_file_says(file: Path) -> None:
    golden = Golden(file)
    studies = assess(golden.facts)
    expected = {n: to for n, to in golden.expect["images"].items() if to is not None}
    assert linked(golden, studies) == expected, golden.told["explanation"]
    for name, numbers in golden.expect["studies"].items():
        members = {one.exposure_key for one in studies[STUDIES[name]].exposures}
        assert members == {golden.key[number] for number in numbers}, golden.told["explanation"]
    counted = {name: studies[STUDIES[name]].dose.exposures for name in golden.expect["studies"]}
    assert counted == golden.expect["dose_exposures"]


@pytest.mark.parametrize("file", FILES, ids=[file.stem for file in FILES])
def test_a_golden_day_is_the_same_in_any_order_and_told_twice(file: Path) -> None:
    golden = Golden(file)
    expected = assess(golden.facts)
    for seed in range(5):
        rng = random.Random(seed)
        facts = [*golden.facts, *rng.sample(golden.facts, 3)]
        rng.shuffle(facts)
        assert assess(facts) == expected


@pytest.mark.parametrize("file", FILES, ids=[file.stem for file in FILES])
def test_a_fact_taken_out_and_put_back_changes_nothing(file: Path) -> None:
    golden = Golden(file)
    expected = assess(golden.facts)
    for number in range(0, len(golden.facts), 3):
        without = [fact for place, fact in enumerate(golden.facts) if place != number]
        assess(without)
        assert assess([*without, golden.facts[number]]) == expected


def test_every_golden_day_has_a_title_and_an_explanation() -> None:
    assert FILES
    for file in FILES:
        told_ = yaml.safe_load(file.read_text(encoding="utf-8"))
        assert told_["title"]
        assert len(told_["explanation"]) > 60, file.name
