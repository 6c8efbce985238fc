"""What invented studies must cost, against sums by hand, and that a seed repeats them."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise

from tests.faults.invented_work import FIRST_DAY, Shot, When, Work, costs
from tests.faults.truth import Charge


def _shot(minute: int, view: str, *, aborted: bool = False, rejected: bool = False) -> Shot:
    image = None if aborted else f"2.25.{minute}"
    return Shot(view, FIRST_DAY + timedelta(minutes=minute), minute, image, rejected)


def test_each_view_costs_its_price_once_until_the_most_of_a_study_is_reached() -> None:
    shots = [_shot(1, "v-up-right"), _shot(2, "v-low-right"), _shot(3, "v-up-left")]

    # 41.30 + 27.45 = 68.75; of 33.10 there is 95.00 - 68.75 = 26.25 left.
    assert costs(shots) == (
        Charge("INV-UR", 1, "41.30"),
        Charge("INV-LR", 1, "27.45"),
        Charge("INV-UL", 1, "26.25"),
    )


def test_what_comes_after_the_most_of_a_study_costs_nothing() -> None:
    views = ("v-up-right", "v-low-right", "v-up-left", "v-low-left")

    charged = costs(_shot(minute, view) for minute, view in enumerate(views))

    assert [one.code for one in charged] == ["INV-UR", "INV-LR", "INV-UL"]


def test_an_aborted_exposure_and_a_rejected_image_cost_nothing_and_the_retake_counts() -> None:
    shots = [
        _shot(1, "v-up-right", rejected=True),
        _shot(2, "v-low-left"),
        _shot(3, "v-up-right"),
        _shot(4, "v-low-right", aborted=True),
    ]

    assert costs(shots) == (Charge("INV-LL", 1, "19.80"), Charge("INV-UR", 1, "41.30"))


def test_a_seed_repeats_its_studies_and_another_seed_has_others() -> None:
    once, again = list(Work(1, 200)), list(Work(1, 200))

    assert once == again
    uids = {uid for seed in (1, 2) for one in Work(seed, 200) for uid in one.truth().images}
    assert len(uids) == sum(len(one.truth().images) for s in (1, 2) for one in Work(s, 200))


def test_a_room_has_one_animal_at_a_time_and_often_the_next_within_two_minutes() -> None:
    rooms: dict[tuple[str, str], list[float]] = {}
    ends: dict[tuple[str, str], float] = {}
    for one in Work(3, 300):
        room = (one.hospital.name, one.room)
        if room in ends:
            rooms.setdefault(room, []).append(one.starts.timestamp() - ends[room])
        ends[room] = one.ends.timestamp()
        moments = [shot.at for shot in one.shots]
        assert all(before < after for before, after in pairwise(moments))

    gaps = [gap for own in rooms.values() for gap in own]
    assert min(gaps) > 0
    assert sum(gap < 120 for gap in gaps) > len(gaps) / 10


def test_every_trouble_that_the_row_has_a_share_of_is_in_a_longer_row() -> None:
    row = list(Work(4, 400))
    shots = [shot for one in row for shot in one.shots]

    assert {shot.when for shot in shots} == set(When)
    assert any(shot.rejected for shot in shots)
    assert any(shot.image is None for shot in shots)
    for trouble in ("training", "signed", "addendum", "close_first", "excused"):
        assert any(getattr(one, trouble) for one in row), trouble
    assert len({one.patient for one in row}) < len(row)
