"""From a room-day's links to the exposures of each study, and what is left over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from schemas.conclusions import ExposureUse
from schemas.envelope import Message, Payload
from schemas.facts import ClockRead, ExposureEnded, ImageStored, LinkDecided
from schemas.facts.exposure import Receptor, ToldBy
from services.assessment.link_judgement import Link
from services.assessment.linking import RoomLinks
from services.assessment.loose import why_loose
from services.assessment.room_day import NO_ROOM, RoomDay
from services.assessment.room_links import LinkedRoom, LinkMemory, _by_study, link_room
from services.assessment.study_exposures import StudyExposure
from services.assessment.tellings import ToldExposure
from tests.room_facts import (
    DAY,
    GENERATOR,
    OTHER_STUDY,
    STUDY,
    Facts,
    after,
    exposure,
    image,
    order,
    site,
    told,
)

TIMES = (0.0, 61.0, 152.0, 200.0, 311.0)


def series() -> Facts:
    exposures = [exposure(n, s) for n, s in enumerate(TIMES)]
    return [*exposures, *(image(n, s + 4.0) for n, s in enumerate(TIMES))]


def linked(facts: Facts, memory: LinkMemory | None = None, where: RoomDay = DAY) -> LinkedRoom:
    return link_room(sorted(facts, key=lambda f: f.occurred_at), site(), where, memory)


def uid(number: int, study: str = STUDY) -> str:
    return f"{study}.1.{number}"


def decision(image_uid: str, key: str | None, study: str = STUDY) -> Message[Payload]:
    payload = LinkDecided(study_instance_uid=study, sop_instance_uid=image_uid, exposure_key=key)
    return told(payload, after(5000.0))


# The whole room


def test_a_room_tells_its_links_exposures_images_readings_and_clocks() -> None:
    reading = told(ClockRead(device=GENERATOR, device_time=after(900.0)), after(900.0))
    facts = series()

    found = linked([*facts, reading])

    assert set(found.by_image) == {uid(n) for n in range(5)}
    assert {one.confidence for one in found.by_image.values()} <= {0.97, 0.998}
    assert [one.use for one in found.exposures[STUDY]] == [ExposureUse.IMAGE] * 5
    assert [key for key, _ in found.images] == [fact.natural_key for fact in facts[5:]]
    assert found.readings == (reading.natural_key,)
    assert len(found.clocks) == 1
    assert found.of_nobody == ()


def test_where_there_is_no_room_there_is_nothing_to_link() -> None:
    found = linked(series(), where=RoomDay("north", NO_ROOM, DAY.day))

    assert (found.by_image, found.exposures, found.images) == ({}, {}, ())


def test_what_one_study_sees_are_its_own_links_and_exposures_alone() -> None:
    others = [exposure(n, 2000.0 + s) for n, s in enumerate(TIMES, start=10)]
    others += [image(n, 2004.0 + s, OTHER_STUDY) for n, s in enumerate(TIMES, start=10)]
    room = linked([*series(), *others])

    seen = room.seen_by(STUDY, {uid(0), uid(1)})

    assert set(seen.by_image) == {uid(0), uid(1)}
    assert seen.exposures == {STUDY: room.exposures[STUDY]}
    assert (seen.clocks, seen.of_nobody, seen.images) == ((), (), ())
    assert (seen.handed, seen.readings) == (room.handed, room.readings)
    assert room.seen_by("2.25.9", ()).exposures == {}


def test_links_are_remembered_until_a_fact_that_they_rest_on_is_new() -> None:
    memory, facts = LinkMemory(), series()

    first = linked(facts, memory)
    assert linked([*facts, order()], memory) is first
    more = linked([*facts, exposure(9, 400.0)], memory)
    assert more is not first
    assert len(more.exposures[STUDY]) == 6
    assert linked(facts) is not linked(facts)


@pytest.mark.parametrize("of_report", [True, False])
def test_a_persons_decision_holds_by_whichever_telling_it_names_the_exposure(
    of_report: bool,
) -> None:
    values = {"told_by": ToldBy.DOSE_REPORT, "exposure_counter": None}
    reports = [exposure(n, s + 130.0, **values) for n, s in enumerate(TIMES)]
    facts = series()
    named = reports[2] if of_report else facts[2]

    found = linked([*facts, *reports, decision(uid(4), named.natural_key)])

    assert found.by_image[uid(4)].exposure == facts[2].natural_key
    assert found.by_image[uid(4)].reasons == ("decided by a person",)


def test_an_image_that_a_person_gave_no_exposure_has_none() -> None:
    found = linked([*series(), decision(uid(1), None)])

    assert set(found.by_image) == {uid(n) for n in (0, 2, 3, 4)}


# Exposures by study


def one(
    number: int, at_s: float = 0.0, beside: Mapping[str, Any] | None = None, **changes: Any
) -> ToldExposure:
    fact = exposure(number, at_s, **changes)
    assert isinstance(fact.payload, ExposureEnded)
    return ToldExposure(f"e{number}", fact, fact.payload, **(beside or {}))


def seen(number: int, study: str = STUDY) -> ImageStored:
    payload = image(number, 0.0, study).payload
    assert isinstance(payload, ImageStored)
    return payload


def link(exposure_key: str, image_key: str, accepted: bool = True) -> Link:
    return Link(exposure_key, image_key, 0.97, accepted, (f"fits {image_key}",))


def given(
    exposures: Sequence[ToldExposure],
    links: Sequence[Link] = (),
    images: Mapping[str, ImageStored] | None = None,
    image_times_s: Mapping[str, float] | None = None,
    scanned_study: Mapping[str, str] | None = None,
) -> tuple[dict[str, list[StudyExposure]], dict[str, str]]:
    """Give the exposures by study and why the others have none; all were made at second 0."""
    found = RoomLinks(
        tuple(links),
        dict.fromkeys((exposure.key for exposure in exposures), 0.0),
        image_times_s or {},
        scanned_study or {},
        (),
    )
    by_study, of_nobody = _by_study(
        found, {exposure.key: exposure for exposure in exposures}, images or {}
    )
    return by_study, {exposure.key: code for exposure, code in of_nobody}


TWO = {"a": seen(1), "b": seen(2, OTHER_STUDY)}


def test_an_exposure_is_of_its_images_study_and_says_why() -> None:
    exposures = [one(1, beside={"reasons": ("told twice",), "others": ("report",)})]

    by_study, left = given(exposures, [link("e1", "b")], TWO)

    (made,) = by_study[OTHER_STUDY]
    assert (made.use, made.image, made.confidence) == (ExposureUse.IMAGE, TWO["b"], 0.97)
    assert (made.summed, made.others) == (True, ("report",))
    assert made.reasons == ("fits b", "told twice")
    assert (set(by_study), left) == ({OTHER_STUDY}, {})


def test_of_several_links_of_an_exposure_the_accepted_one_holds_else_the_first() -> None:
    accepted = [link("e1", "a", accepted=False), link("e1", "b")]
    proposed = [link("e1", "a", accepted=False), link("e1", "b", accepted=False)]

    for links in (accepted, accepted[::-1]):
        assert set(given([one(1)], links, TWO)[0]) == {OTHER_STUDY}
    assert set(given([one(1)], proposed, TWO)[0]) == {STUDY}
    assert set(given([one(1)], proposed[::-1], TWO)[0]) == {OTHER_STUDY}


@pytest.mark.parametrize(
    ("around", "summed"), [({"a": -10.0}, True), ({"b": -10.0}, False), ({}, False)]
)
def test_a_proposed_link_is_summed_where_its_study_was_under_way(
    around: dict[str, float], summed: bool
) -> None:
    by_study, _ = given([one(1)], [link("e1", "a", accepted=False)], TWO, around)

    (made,) = by_study[STUDY]
    assert (made.use, made.summed) == (ExposureUse.PROPOSED, summed)


def test_an_exposure_without_image_is_of_the_study_under_way() -> None:
    by_study, left = given([one(1)], images=TWO, image_times_s={"a": 20.0})

    (made,) = by_study[STUDY]
    assert (made.use, made.image) == (ExposureUse.NO_IMAGE, None)
    assert made.reasons == ("no image; the images near it in time are all of this study",)
    assert left == {}


PLATE = {"receptor": Receptor.STORAGE_PHOSPHOR_PLATE}


@pytest.mark.parametrize(
    ("changes", "scanned", "study", "says"),
    [
        ({"study_instance_uid": OTHER_STUDY}, None, OTHER_STUDY, "its report names this study"),
        (PLATE, OTHER_STUDY, OTHER_STUDY, "the plates scanned after it are all of this study"),
        ({"receptor": Receptor.FILM}, None, STUDY, "the images near it in time"),
    ],
)
def test_what_a_report_or_a_scan_tells_goes_before_the_images_around(
    changes: dict[str, Any], scanned: str | None, study: str, says: str
) -> None:
    by_study, left = given(
        [one(1, **changes)],
        images=TWO,
        image_times_s={"a": 20.0},
        scanned_study={"e1": scanned} if scanned else {},
    )

    assert (set(by_study), left) == ({study}, {})
    assert says in by_study[study][0].reasons[0]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"test_exposure": True, "study_instance_uid": STUDY}, "test-exposure"),
        (PLATE, "plate-without-scan"),
    ],
)
def test_a_test_exposure_or_a_plate_without_scan_is_of_no_study_whatever_is_around(
    changes: dict[str, Any], code: str
) -> None:
    by_study, left = given([one(1, **changes)], images=TWO, image_times_s={"a": 20.0})

    assert (by_study, left) == ({}, {"e1": code})


def test_an_exposure_of_no_study_says_why_none_was_under_way_and_hides_no_other() -> None:
    exposures = [one(1), one(2, study_instance_uid=STUDY)]

    by_study, left = given(exposures, images=TWO, image_times_s={"a": -20.0, "b": 20.0})

    assert left == {"e1": "between-studies"}
    assert [made.key for made in by_study[STUDY]] == ["e2"]
    assert given([one(1)])[1] == {"e1": "no-image-near"}


def test_what_may_be_told_twice_goes_to_its_own_study_else_the_others_else_to_nobody() -> None:
    twice = {"perhaps": "e1"}
    own = one(3, beside=twice, study_instance_uid=OTHER_STUDY)

    by_study, left = given([one(2, beside=twice), own, one(1)], [link("e1", "a")], TWO)
    assert [made.key for made in by_study[STUDY]] == ["e1", "e2"]
    assert [made.key for made in by_study[OTHER_STUDY]] == ["e3"]
    assert not by_study[STUDY][1].summed
    assert left == {}

    by_study, left = given([one(2, beside=twice), one(1)])
    assert (by_study, left) == ({}, {"e1": "no-image-near", "e2": "perhaps-told-twice"})


# Performed steps


def step(number: int, study: str | None = STUDY, **changes: Any) -> Message[Payload]:
    values = {"told_by": ToldBy.PERFORMED_STEP, "exposure_counter": None} | changes
    return exposure(number, 100.0 + number / 1000.0, study_instance_uid=study, **values)


OTHER_MS: dict[str, Any] = {"exposure_ms": 320.0, "set_exposure_ms": 320.0}


def test_a_steps_exposure_takes_no_image_of_another_study() -> None:
    # given: an image of another patient that fits, and none of the step's own study
    found = linked([step(1), image(1, 104.0, OTHER_STUDY)])

    assert found.by_image == {}
    assert [made.use for made in found.exposures[STUDY]] == [ExposureUse.NO_IMAGE]


def test_a_steps_exposure_takes_no_image_that_is_linked_already() -> None:
    facts = series()

    found = linked([*facts, step(9, **OTHER_MS)])

    assert {one.exposure for one in found.by_image.values()} == {
        fact.natural_key for fact in facts[:5]
    }
    assert [made.use for made in found.exposures[STUDY]].count(ExposureUse.NO_IMAGE) == 1


def test_a_steps_exposure_is_of_the_study_of_the_image_that_a_person_gave_it() -> None:
    telling = step(1)
    images = [image(1, 104.0, OTHER_STUDY), image(2, 110.0)]

    found = linked(
        [telling, *images, decision(uid(1, OTHER_STUDY), telling.natural_key, OTHER_STUDY)]
    )

    assert [made.key for made in found.exposures[OTHER_STUDY]] == [telling.natural_key]
    assert found.by_image[uid(1, OTHER_STUDY)].exposure == telling.natural_key
    assert set(found.by_image) == {uid(1, OTHER_STUDY)}


def test_a_steps_exposure_waits_for_the_links_of_those_with_a_time() -> None:
    # given: images for the generator's exposures alone; the step tells the same once more
    facts = series()

    found = linked([*facts, *(step(n) for n in range(5))])

    assert len(found.exposures[STUDY]) == 5
    assert all(len(made.others) == 1 for made in found.exposures[STUDY])


@pytest.mark.parametrize(
    ("changes", "code"), [({}, "step-of-no-study"), ({"test_exposure": True}, "test-exposure")]
)
def test_a_steps_exposure_that_names_no_study_is_not_lost(
    changes: dict[str, Any], code: str
) -> None:
    telling = step(1, study=None, **changes)

    found = linked([*series(), telling])

    assert [(left.key, why) for left, why in found.of_nobody] == [(telling.natural_key, code)]
    assert why_loose(code)
    assert len(found.exposures[STUDY]) == 5


def test_a_steps_exposure_of_no_study_that_may_be_told_twice_says_so() -> None:
    event: dict[str, Any] = {"irradiation_event_uid": "2.25.7"}
    first = exposure(1, 0.0, **event)

    found = linked([first, step(1, study=None, **event, **OTHER_MS)])

    assert sorted(code for _, code in found.of_nobody) == ["no-image-near", "perhaps-told-twice"]
