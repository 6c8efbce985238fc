"""The tooth chart: every tooth once, its state without colour, and all of it in words."""

import re
from itertools import product
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import ViewStatus
from schemas.teeth import Dentition, Species, ToothKind, kind, quadrant, teeth_of
from services.notes.chart_states import charts_of
from services.notes.study_shown import study_shown
from services.notes.tooth_chart import (
    STATE_WORDS,
    ChartError,
    ToothState,
    chart_words,
    tooth_chart_svg,
)
from tests.assessed import assessed, image, patient, view
from tests.noted import full_mouth

DRAWINGS = Path(__file__).parents[1] / "drawings"
SVG = "{http://www.w3.org/2000/svg}"
MOUTHS = list(product(Species, Dentition))


def drawn(
    species: Species, dentition: Dentition, states: dict[int, ToothState]
) -> dict[int, ElementTree.Element]:
    """Give the group of each tooth; a number that is drawn twice fails."""
    root = ElementTree.fromstring(tooth_chart_svg(species, dentition, states))
    groups = [one for one in root.iter(f"{SVG}g") if one.get("id", "").startswith("tooth-")]
    numbers = [int(one.get("id", "").removeprefix("tooth-")) for one in groups]
    assert len(numbers) == len(set(numbers))
    return dict(zip(numbers, groups, strict=True))


def box(group: ElementTree.Element) -> tuple[float, float, float, float]:
    rect = group.find(f"{SVG}rect")
    assert rect is not None
    x, y, wide, high = (float(rect.get(name, "")) for name in ("x", "y", "width", "height"))
    return x, y, wide, high


# Dental formulas, teeth in all: dog 42 and 28, cat 30 and 26; tests/outside names their sources.
@pytest.mark.parametrize(
    ("species", "dentition", "count"),
    [
        (Species.DOG, Dentition.PERMANENT, 42),
        (Species.DOG, Dentition.DECIDUOUS, 28),
        (Species.CAT, Dentition.PERMANENT, 30),
        (Species.CAT, Dentition.DECIDUOUS, 26),
    ],
)
def test_every_tooth_is_drawn_exactly_once_with_its_number(
    species: Species, dentition: Dentition, count: int
) -> None:
    groups = drawn(species, dentition, {})

    assert len(groups) == count
    assert groups.keys() == teeth_of(species, dentition)
    for tooth, group in groups.items():
        assert [one.text for one in group.iter(f"{SVG}text")] == [str(tooth)]


@pytest.mark.parametrize(("species", "dentition"), MOUTHS)
def test_boxes_never_touch_and_stand_in_their_own_quadrant(
    species: Species, dentition: Dentition
) -> None:
    root = ElementTree.fromstring(tooth_chart_svg(species, dentition, {}))
    width, height = float(root.get("width", "")), float(root.get("height", ""))
    boxes = {tooth: box(group) for tooth, group in drawn(species, dentition, {}).items()}

    for tooth, (x, y, wide, high) in boxes.items():
        assert 0 <= x <= x + wide <= width
        assert 0 <= y <= y + high <= height
        # The animal faces the reader: quadrants 1 and 4 (5 and 8) on the left of the page.
        assert (x + wide < width / 2) == ((quadrant(tooth) - 1) % 4 in {0, 3})
    for (_, one), (_, two) in product(boxes.items(), repeat=2):
        if one is not two:
            apart = one[0] + one[2] < two[0] or two[0] + two[2] < one[0]
            assert apart or one[1] + one[3] < two[1] or two[1] + two[3] < one[1]


def test_size_follows_the_kind_of_tooth() -> None:
    sizes: dict[ToothKind, set[tuple[float, float]]] = {}
    for tooth, group in drawn(Species.DOG, Dentition.PERMANENT, {}).items():
        sizes.setdefault(kind(tooth), set()).add(box(group)[2:])

    assert all(len(one) == 1 for one in sizes.values())
    assert len(set.union(*sizes.values())) == len(ToothKind)


def test_each_state_differs_by_border_and_mark_and_nothing_is_coloured() -> None:
    told = dict(zip((301, 302, 303, 304, 305), ToothState, strict=True))
    svg = tooth_chart_svg(Species.DOG, Dentition.PERMANENT, told)
    groups = drawn(Species.DOG, Dentition.PERMANENT, told)
    looks = set()
    for tooth in told:
        rect = groups[tooth].find(f"{SVG}rect")
        assert rect is not None
        looks.add((rect.get("stroke-width"), rect.get("stroke-dasharray")))

    assert len(looks) == len(ToothState)
    assert set(re.findall(r"(?:fill|stroke)=\"([^\"]+)\"", svg)) == {"none", "#000", "#fff"}


@settings(max_examples=25, deadline=None)
@given(data=st.data(), mouth=st.sampled_from(MOUTHS))
def test_the_words_and_the_legend_tell_what_is_drawn(
    data: st.DataObject, mouth: tuple[Species, Dentition]
) -> None:
    teeth = sorted(teeth_of(*mouth))
    states = data.draw(st.dictionaries(st.sampled_from(teeth), st.sampled_from(ToothState)))
    svg = tooth_chart_svg(*mouth, states)
    root = ElementTree.fromstring(svg)

    assert svg == tooth_chart_svg(*mouth, dict(reversed(states.items())))
    assert root.get("role") == "img"
    named = {one.get("id"): one.text for one in root if one.tag in {f"{SVG}title", f"{SVG}desc"}}
    assert set((root.get("aria-labelledby") or "").split()) == named.keys()
    assert named["tooth-chart-desc"] == chart_words(*mouth, states)
    for state, words in STATE_WORDS.items():
        having = [one for one in teeth if states.get(one, ToothState.NOT_ASKED) is state]
        legend = [one for one in root.iter(f"{SVG}g") if one.get("data-legend") == state]
        assert len(legend) == bool(having)
        if having:
            sentence = f"{words[0].upper()}{words[1:]}: {', '.join(map(str, having))}."
            assert sentence in chart_words(*mouth, states)
            assert f"{words}: {len(having)} t" in "".join(legend[0].itertext())


def test_a_tooth_of_another_mouth_is_refused_by_its_number() -> None:
    with pytest.raises(ChartError, match=r"\[105\].*cat"):
        tooth_chart_svg(Species.CAT, Dentition.PERMANENT, {105: ToothState.SHOWN})


def test_states_come_from_views_absent_teeth_and_teeth_without_a_view() -> None:
    study = assessed(
        images=[image(1, view="view-1", teeth=(309, 310, 311))],
        views=(
            view(1, teeth=(309, 310, 311)),
            view(2, ViewStatus.MISSING, teeth=(305, 306)),
            view(3, ViewStatus.EXCUSED, teeth=(301, 302, 311)),
        ),
        teeth_without_view=(305, 306),
        absent_teeth=(310,),
    )

    (chart,) = charts_of(study_shown(study))

    assert (chart.species, chart.dentition) == (Species.DOG, Dentition.PERMANENT)
    assert chart.states == {
        309: ToothState.SHOWN,
        311: ToothState.SHOWN,  # excused in one view, shown by another
        310: ToothState.ABSENT,
        305: ToothState.NOT_SHOWN,
        306: ToothState.NOT_SHOWN,
        301: ToothState.EXCUSED,
        302: ToothState.EXCUSED,
    }


def test_there_is_a_chart_for_each_dentition_planned_and_none_of_the_unknown() -> None:
    both = assessed(views=(view(1, teeth=(304, 704)),), patient=patient(species=Species.CAT))

    assert [one.dentition for one in charts_of(study_shown(both))] == list(Dentition)
    assert charts_of(study_shown(assessed())) == ()
    assert charts_of(study_shown(both.model_copy(update={"patient": None}))) == ()


@pytest.mark.parametrize(
    ("code", "species"), [("dog-full-mouth", Species.DOG), ("cat-full-mouth", Species.CAT)]
)
def test_a_whole_mouth_is_drawn_as_in_the_kept_example(code: str, species: Species) -> None:
    absent = (105, 405) if species is Species.DOG else (407,)
    (chart,) = charts_of(study_shown(full_mouth(code, species, absent_teeth=absent)))

    assert tooth_chart_svg(*chart) == (DRAWINGS / f"{code}.svg").read_text("utf-8")
