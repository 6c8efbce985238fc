"""Where two clocks stood to each other through a day, by the images that exposures made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.clock_offset import Floats, Places
from services.assessment.clock_tracks import Belief, believe
from services.assessment.pairing_scores import USUAL_SPREAD_S

TIMES = np.array([0.0, 61.0, 152.0, 200.0, 311.0, 390.0, 433.0, 520.0])
MAKES_IMAGE = 0.95


def alike(i: Places, _j: Places) -> Floats:
    """Say nothing for or against any pair."""
    return np.zeros(len(i))


def belief(exposure_s: Floats, image_s: Floats, *, read: bool = True) -> Belief:
    makes_image = np.full(len(exposure_s), MAKES_IMAGE)
    return believe(exposure_s, np.sort(image_s), makes_image, alike, read=read)


@pytest.mark.parametrize("ahead_s", [-240.0, 0.0, 4.0, 300.0, 3600.0])
def test_a_clock_that_is_ahead_is_found_by_every_exposure(ahead_s: float) -> None:
    found = belief(TIMES, TIMES + ahead_s)

    assert found.offset_s(TIMES) == pytest.approx(ahead_s, abs=0.5)
    assert found.support[0] == pytest.approx(len(TIMES), abs=0.05)
    assert found.held.sum(axis=1) == pytest.approx(1.0, abs=0.01)
    assert found.seen[0].residual_s[found.seen[0].i == 3] == pytest.approx(0.0, abs=0.5)


def test_an_exposure_without_image_is_believed_by_its_neighbours() -> None:
    found = belief(TIMES, np.delete(TIMES, 3) + 100.0)

    assert found.held[3, 0] > 0.99
    assert found.support[0] == pytest.approx(len(TIMES) - 1, abs=0.05)


def test_what_an_exposures_own_image_says_is_left_out_of_the_others() -> None:
    found = belief(TIMES[:2], TIMES[:2] + 100.0, read=False)

    assert np.all(found.others[:, 0] < found.held[:, 0])


def test_a_clock_that_was_set_in_mid_day_has_a_track_before_and_one_after() -> None:
    ahead_s = np.where(TIMES < 250.0, 0.0, -120.0)

    found = belief(TIMES, TIMES + ahead_s)

    assert found.offset_s(TIMES) == pytest.approx(ahead_s, abs=0.5)
    assert sorted(found.support)[-2:] == pytest.approx([4.0, 4.0], abs=0.3)


def test_drift_is_followed() -> None:
    drifts = 300e-6
    times = np.array([511.0 * place + (0.0, 7.0, 31.0, 3.0)[place % 4] for place in range(40)])

    found = belief(times, times * (1.0 + drifts) + 5.0)

    assert found.tracks[0].drift == pytest.approx(drifts, rel=0.05)
    assert found.offset_s(times) == pytest.approx(times * drifts + 5.0, abs=0.2)


def test_the_spread_of_the_delay_is_drawn_to_the_usual_one_in_steps() -> None:
    few = TIMES[:2]
    many = np.array([97.0 * place for place in range(60)])
    late_s = np.resize([0.0, 6.0], 60)

    assert belief(few, few + 4.0).spread_s == USUAL_SPREAD_S
    assert belief(many, many + 4.0).spread_s < USUAL_SPREAD_S
    assert belief(many, many + late_s).spread_s > USUAL_SPREAD_S
    assert belief(many, many + late_s).spread_s % 0.25 == 0.0


def test_without_an_image_nothing_is_moved() -> None:
    found = belief(TIMES, np.zeros(0))

    assert (found.tracks, found.support) == ((), ())
    assert found.offset_s(TIMES) == pytest.approx(0.0)


@given(
    gaps_s=st.lists(st.floats(5.0, 300.0), min_size=1, max_size=8),
    delays_s=st.lists(st.one_of(st.none(), st.floats(-9.0, 9.0)), min_size=8, max_size=8),
    strangers_s=st.lists(st.floats(-500.0, 3000.0), max_size=3),
)
def test_beliefs_are_shares(
    gaps_s: list[float], delays_s: list[float | None], strangers_s: list[float]
) -> None:
    exposure_s = np.cumsum(gaps_s)
    made = [at + late for at, late in zip(exposure_s, delays_s, strict=False) if late is not None]

    found = belief(exposure_s, np.array(made + strangers_s))

    for shares in (found.others, found.held):
        assert np.all((shares >= 0.0) & (shares <= 1.0 + 1e-12))
        assert np.all(shares.sum(axis=1) <= 1.0 + 1e-9)
    assert all(-1e-9 <= one <= len(exposure_s) + 1e-9 for one in found.support)
