"""What an assessment tells beside its views, for the charges: technique, cover, referral."""

from datetime import date

import pytest

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import ReadinessChecked
from schemas.plans import Technique, View
from services.assessment.room_day import RoomDay
from services.assessment.study import assess_room_day
from tests.room_facts import ROOM, STUDY, after, image, order, rules, site, told

DAY = RoomDay("north", ROOM, date(2026, 3, 2))
PLAN = rules().plans["cat-full-mouth"]


def _assess(*facts: Message[Payload]) -> StudyAssessed:
    return assess_room_day(facts, site(), DAY, rules())[STUDY]


def _check(seconds: float, *, cover: bool) -> Message[Payload]:
    fact = ReadinessChecked(
        study_instance_uid=STUDY,
        anaesthetic_plane_confirmed=True,
        people_outside_beam=True,
        new_sensor_cover=cover,
    )
    return told(fact, after(seconds))


@pytest.mark.parametrize("view", [*PLAN.views, *PLAN.substitutes], ids=lambda view: view.code)
def test_an_image_has_the_technique_of_the_view_that_it_shows(view: View) -> None:
    code, technique = view.code, view.technique

    (shown,) = _assess(order(), image(1, 60.0, view=code)).images

    assert shown.technique is technique


def test_an_image_of_no_planned_view_has_no_technique() -> None:
    (shown,) = _assess(order(), image(1, 60.0)).images

    assert shown.technique is None
    assert {view.technique for view in PLAN.views} <= set(Technique)


def test_the_first_check_that_tells_of_a_new_cover_is_named() -> None:
    checks = [_check(1.0, cover=False), _check(2.0, cover=True), _check(3.0, cover=True)]

    study = _assess(order(), *checks, image(1, 60.0))

    assert (study.new_sensor_cover, study.readiness_fact) == (True, checks[1].natural_key)


def test_a_check_without_a_new_cover_says_so_and_no_check_says_nothing() -> None:
    check = _check(1.0, cover=False)

    told_so, untold = _assess(order(), check, image(1, 60.0)), _assess(order(), image(1, 60.0))

    assert (told_so.new_sensor_cover, told_so.readiness_fact) == (False, check.natural_key)
    assert (untold.new_sensor_cover, untold.readiness_fact) == (None, None)


def test_a_referral_is_told_as_the_order_tells_it() -> None:
    assert _assess(order(referral=True), image(1, 60.0)).referral
    assert not _assess(order(), image(1, 60.0)).referral
