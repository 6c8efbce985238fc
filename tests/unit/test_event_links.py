"""Exposures and images that name one irradiation event, on clocks that are one already."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import pytest

from services.assessment.event_links import links_by_event
from services.assessment.link_judgement import Link
from services.assessment.pairing_scores import Exposure, Image

EVENT, OTHER = "2.25.7", "2.25.8"
NAMED = "both name the same irradiation event"
AT_S = 1000.0


def exposure(key: str = "e", **told: object) -> Exposure:
    made = Exposure(key, "generator-1", AT_S, 65.0, 7.0, 120.0, 120.0, event=EVENT)
    return replace(made, **told)  # type: ignore[arg-type]


def image(key: str = "i", at_s: float = AT_S, **told: object) -> Image:
    return replace(Image(key, "A", "station-1", at_s, event=EVENT), **told)  # type: ignore[arg-type]


def linked(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    scanned: Collection[int] = (),
    settled: Collection[str] = (),
) -> list[Link]:
    exposure_s = np.array([one.at_s for one in exposures])
    image_s = np.array([one.at_s for one in images])
    return links_by_event(exposures, images, exposure_s, image_s, scanned, settled)


def test_an_event_that_both_name_is_a_link_that_hardly_needs_more() -> None:
    (one,) = linked([exposure()], [image(tube_kv=65.0)])

    agrees = "kV, mA and ms agree with the image's header"
    assert one == Link("e", "i", 0.9999, True, (NAMED, agrees))


@pytest.mark.parametrize(
    ("made", "seen", "against"),
    [
        (exposure(), image(tube_kv=70.0), "yet the technique differs"),
        (
            exposure(study="B"),
            image(),
            "yet the station told this exposure for another study",
        ),
        (
            exposure(),
            image(at_s=AT_S + 121.0),
            "yet their times are 121 s apart once the clocks are aligned",
        ),
    ],
)
def test_what_speaks_against_an_event_leaves_it_to_a_person(
    made: Exposure, seen: Image, against: str
) -> None:
    (one,) = linked([made], [seen])

    assert (one.confidence, one.accepted) == (0.5, False)
    assert (one.reasons[0], one.reasons[-1]) == (NAMED, against)


@pytest.mark.parametrize("study", [None, "A"])
def test_an_exposure_told_for_no_other_study_is_believed(study: str | None) -> None:
    assert [one.accepted for one in linked([exposure(study=study)], [image()])] == [True]


@pytest.mark.parametrize(
    ("apart_s", "plate", "scanned", "believed"),
    [
        (120.0, None, set(), True),
        (120.5, None, set(), False),
        (-120.5, None, set(), False),
        (600.0, None, {0}, True),
        (600.0, True, set(), True),
        (600.0, False, set(), False),
    ],
)
def test_an_event_is_believed_within_two_minutes_or_of_a_scanned_plate(
    apart_s: float, plate: bool | None, scanned: set[int], believed: bool
) -> None:
    (one,) = linked([exposure(plate=plate)], [image(at_s=AT_S + apart_s)], scanned)

    assert one.accepted is believed


def test_members_without_an_event_and_events_of_one_side_alone_are_passed_over() -> None:
    exposures = [exposure("silent", event=None), exposure("e")]
    images = [image("mute", event=None), image("elsewhere", event=OTHER), image("i")]

    assert [(one.exposure, one.image) for one in linked(exposures, images)] == [("e", "i")]


@pytest.mark.parametrize("decided", ["e", "i"])
def test_what_a_person_has_decided_is_left_alone(decided: str) -> None:
    exposures = [exposure("e"), exposure("e2", event=OTHER)]
    images = [image("i"), image("i2", event=OTHER)]

    found = linked(exposures, images, settled={decided})

    assert [(one.exposure, one.image) for one in found] == [("e2", "i2")]


def test_of_two_images_of_one_event_the_first_is_linked_and_the_other_asked_about() -> None:
    found = linked([exposure()], [image("i"), image("copy")])

    assert [(one.image, one.accepted) for one in found] == [("i", True), ("copy", False)]
    assert found[1].reasons == (NAMED, "another image names this event too")


def test_an_image_with_something_against_it_takes_no_event_from_the_next() -> None:
    found = linked([exposure()], [image("odd", tube_kv=70.0), image("i")])

    assert [(one.image, one.accepted) for one in found] == [("odd", False), ("i", True)]


def test_a_second_image_with_something_against_it_is_told_with_that_alone() -> None:
    found = linked([exposure()], [image("i"), image("odd", tube_kv=70.0)])

    assert found[1].reasons[-1] == "yet the technique differs"


@pytest.mark.parametrize("settled", [(), ("e2",)])
def test_an_event_that_several_exposures_name_tells_none_of_them(settled: Sequence[str]) -> None:
    exposures = [exposure("e"), exposure("e2", at_s=AT_S + 60.0), exposure("o", event=OTHER)]
    images = [image("i", at_s=AT_S + 60.0), image("o2", event=OTHER)]

    found = linked(exposures, images, settled=settled)

    assert [(one.image, one.accepted) for one in found] == [("i", False), ("o2", True)]
    assert found[0].reasons == (NAMED, "another exposure names this event too")
