"""What the site's technique chart expects of the planned views."""

from dataclasses import replace
from typing import Any

import pytest

from schemas.conclusions import ViewResult, ViewStatus
from schemas.facts import AnimalSize, ExposureEnded, Receptor
from schemas.techniques import load_technique_chart
from services.assessment.planned_dose import PlannedFor, planned_dose, planned_for
from services.assessment.room_day import RoomDay
from services.assessment.study import assess_room_day
from services.assessment.study_exposures import StudyExposure, tubes_of
from tests.room_facts import START, STUDY, exposure, image, order, patient, rules, site

CHART = load_technique_chart()
MODEL = rules().model
WANTED = PlannedFor(Receptor.DIRECT_SENSOR, AnimalSize.SMALL, "generator-1")


def view(code: str, *teeth: int, status: ViewStatus = ViewStatus.MISSING) -> ViewResult:
    return ViewResult(view=code, title=code, teeth=teeth, status=status, words="invented")


def planned(views: list[ViewResult], wanted: PlannedFor = WANTED) -> Any:
    return planned_dose(views, wanted, CHART, tubes_of(site()), MODEL)


def one_view(*teeth: int) -> float:
    found = planned([view("v", *teeth)])
    assert found.kerma_mgy is not None
    return float(found.kerma_mgy)


def test_the_expected_kerma_goes_with_the_charts_times() -> None:
    # The invented chart: 90 ms for the upper front teeth, 120 ms for the upper cheek teeth.
    assert one_view(108) / one_view(101) == pytest.approx(120.0 / 90.0)


def test_views_add_up_and_those_done_are_told_apart() -> None:
    views = [view("a", 101, status=ViewStatus.DONE), view("b", 108)]
    found = planned(views)
    assert found.kerma_mgy == pytest.approx(one_view(101) + one_view(108))
    assert found.kerma_of_done_mgy == pytest.approx(one_view(101))
    assert found.relative_uncertainty is not None
    assert "an invented chart" in found.words
    assert "2 of 2 planned views" in found.words


def test_an_excused_view_is_not_expected() -> None:
    found = planned([view("a", 101), view("b", 108, status=ViewStatus.EXCUSED)])
    assert found.views == 1
    assert found.kerma_mgy == pytest.approx(one_view(101))


def test_the_preset_of_most_teeth_serves_and_deciduous_teeth_stand_at_their_places() -> None:
    assert one_view(104, 105, 106) == pytest.approx(one_view(105))
    assert one_view(505, 506) == pytest.approx(one_view(105, 106))


def test_at_a_tie_the_longer_setting_is_expected() -> None:
    assert one_view(104, 105) == pytest.approx(max(one_view(104), one_view(105)))


@pytest.mark.parametrize(
    ("change", "words"),
    [({"receptor": None}, "receptor"), ({"size": None}, "size"), ({"tube": None}, "X-ray set")],
)
def test_what_is_not_plain_is_not_guessed(change: dict[str, None], words: str) -> None:
    found = planned([view("a", 101)], replace(WANTED, **change))
    assert found.kerma_mgy is None
    assert words in found.words


def test_without_a_view_to_take_nothing_is_expected() -> None:
    assert planned([]) is None


def told(**changes: Any) -> StudyExposure:
    fact = exposure(1, 0.0, **changes)
    assert isinstance(fact.payload, ExposureEnded)
    return StudyExposure("k", fact.occurred_at, fact.payload, "image")  # type: ignore[arg-type]


def test_the_chart_is_read_for_what_the_exposures_tell() -> None:
    plate = told(receptor=Receptor.STORAGE_PHOSPHOR_PLATE)
    found = planned_for([plate], site(), "dental-1", CHART, patient())
    assert found == PlannedFor(Receptor.STORAGE_PHOSPHOR_PLATE, AnimalSize.SMALL, "generator-1")
    both = [plate, told(receptor=Receptor.DIRECT_SENSOR)]
    assert planned_for(both, site(), "dental-1", CHART, patient()).receptor is None


def test_before_an_exposure_the_room_tells_its_only_set() -> None:
    found = planned_for([], site(), "dental-1", CHART, None)
    assert found == PlannedFor(None, None, "generator-1")
    assert planned_for([], site(), "dental-2", CHART, None).tube is None


def test_a_study_tells_what_its_plan_is_expected_to_give() -> None:
    where = RoomDay("north", "dental-1", START.date())
    views = [view.code for view in rules().plans["cat-full-mouth"].views]
    facts = [order()]
    for number in range(2):
        at = 61.0 * number
        facts.append(exposure(number, at, receptor=Receptor.DIRECT_SENSOR))
        facts.append(image(number, at + 4.0, view=views[number]))
    with_chart = replace(rules(), chart=CHART)
    dose = assess_room_day(facts, site(), where, with_chart)[STUDY].dose
    assert dose.planned is not None
    assert dose.planned.views == len(views)
    assert dose.planned.views_without_setting == 0
    assert dose.planned.kerma_mgy is not None
    assert dose.planned.kerma_of_done_mgy is not None
    assert 0 < dose.planned.kerma_of_done_mgy < dose.planned.kerma_mgy
    assert assess_room_day(facts, site(), where, rules())[STUDY].dose.planned is None
