"""Which of the group's own rules a site gets, and what is said of a wrong one."""

from pathlib import Path

import pytest

from schemas.errors import InvalidInput
from schemas.group import load_group
from services.assessment.rules import load_rules
from tests.room_facts import site

_DEMO = Path(__file__).parents[2] / "demo" / "group"


def test_a_site_that_names_no_chart_has_none() -> None:
    assert load_rules(site(), Path("a-folder-that-is-not-there")).chart is None


def test_the_invented_chart_is_used_only_where_it_is_named() -> None:
    named = site().model_copy(update={"techniques": "invented_chart"})

    chart = load_rules(named, Path("a-folder-that-is-not-there")).chart

    assert chart is not None
    assert chart.basis == "invented"


def test_a_chart_that_is_named_and_not_there_stops_with_its_file() -> None:
    named = site().model_copy(update={"techniques": "our-own"})

    with pytest.raises(InvalidInput, match=r"our-own\.yaml"):
        load_rules(named, Path("a-folder-that-is-not-there"))


def test_the_demo_site_has_a_chart_of_its_own_with_the_teeth_of_its_generator() -> None:
    (demo,) = load_group(_DEMO).sites

    chart = load_rules(demo, _DEMO).chart

    assert chart is not None
    assert chart.code == "bramble"
    generator = next(demo.generators())
    assert {preset.name: preset.teeth for preset in chart.presets} == generator.presets
