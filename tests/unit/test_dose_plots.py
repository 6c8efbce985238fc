"""The drawings: well formed, told in words too, and showing what they were given."""

from xml.etree import ElementTree as ET

import numpy as np
import pytest

from schemas.limits import Levels, load_published_reference_levels
from services.assessment.dose_periods import Spread
from services.assessment.dose_plots import Point, ViewSpread, by_view, distribution, trend
from services.runtime.svg import Scale

SVG = "{http://www.w3.org/2000/svg}"
LEVELS = Levels(notify=3.0, alert=6.0)
PUBLISHED = load_published_reference_levels().levels
KERMA = np.array([0.5, 0.8, 1.0, 1.2, 3.5, np.nan])


def read(drawing: str) -> ET.Element:
    root = ET.fromstring(drawing)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    for part in ("title", "desc"):
        assert (root.findtext(f"{SVG}{part}") or "").strip()
    assert {e.tag for e in root.iter()} & {f"{SVG}script", f"{SVG}foreignObject"} == set()
    return root


def texts(root: ET.Element) -> str:
    return "\n".join(e.text or "" for e in root.iter(f"{SVG}text"))


def test_a_distribution_shows_levels_and_says_that_published_ones_are_human() -> None:
    root = read(distribution(KERMA, LEVELS, True, PUBLISHED))
    told = texts(root)
    assert "5 exposures, median 1 mGy" in told
    assert "notify 3" in told
    assert "alert 6" in told
    assert "human dental values, no limits for animals" in told
    assert "our invented defaults" in told
    with_kerma = sum(level.kerma_mgy is not None for level in PUBLISHED)
    assert f"{with_kerma} " in told
    assert "never a clearance" in told


def test_a_distribution_of_nothing_is_still_a_drawing() -> None:
    told = texts(read(distribution(np.zeros(0), None, False, ())))
    assert "0 exposures, none known" in told
    assert "invented" not in told


def test_a_trend_marks_what_is_outside_and_names_the_rule() -> None:
    values = [1.0, 1.1, 0.9, 1.0, 1.1, 1.0, 0.9, 3.0, 1.0, 1.1, 0.9, 1.0, 1.1, 1.0]
    root = read(trend([Point(f"2026-W{i:02d}", v, 30) for i, v in enumerate(values)], "by week"))
    assert "mean ± 3 moving ranges / 1.128" in texts(root)
    assert len(root.findall(f"{SVG}polygon")) >= 1  # the triangle of the one outside
    assert len(root.findall(f"{SVG}circle")) == 2 * len(values) - 1 - len(
        root.findall(f"{SVG}polygon")
    )


@pytest.mark.parametrize("count", [0, 1, 5])
def test_a_short_trend_has_no_limits_and_says_so(count: int) -> None:
    told = texts(read(trend([Point(f"p{i}", 1.0, 30) for i in range(count)], "by week")))
    assert "No control limits: fewer than 8 values." in told


def test_views_have_a_mark_for_each_size_and_words_for_all_of_them() -> None:
    spread = Spread(30, 0.8, 1.0, 1.3, 0.9, 1.1)
    root = read(
        by_view([ViewSpread("view <1>", "small cat", spread), ViewSpread("b", "large dog", spread)])
    )
    words = root.findtext(f"{SVG}desc") or ""
    assert "view <1>, small cat: median 1 mGy of 30" in words
    assert "b, large dog: median 1 mGy of 30" in words
    # Told apart by shape, not by colour alone: a circle and a square, each in the key as well.
    assert len(root.findall(f"{SVG}circle")) == 2
    assert len(root.findall(f"{SVG}polygon")) == 2


def test_rarer_views_are_left_out_and_counted() -> None:
    spread = Spread(30, 0.8, 1.0, 1.3, 0.9, 1.1)
    spreads = [ViewSpread(f"view-{i}", "small cat", spread) for i in range(43)]
    assert "3 rarer views are left out" in texts(read(by_view(spreads)))


def test_ticks_are_round_and_within_the_scale() -> None:
    assert Scale(0.0, 6.4, 0.0, 100.0).ticks() == [0.0, 2.0, 4.0, 6.0]
    assert Scale(0.13, 0.87, 0.0, 100.0).ticks(4) == [0.2, 0.4, 0.6, 0.8]
