"""The board beside the patient over a whole hospital: exposures and images by their real doors."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import httpx
import pytest

from demo.hospital import running_hospital
from schemas.conclusions import ExposureUse, ImageUse, ViewStatus
from schemas.facts import FactWithdrawn, ImageRejected, LinkDecided, ViewExcused
from tests.chairside_day import SITE, Browsing, ChairsideDay, signed_in, study_address


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ChairsideDay]:
    with running_hospital(tmp_path_factory.mktemp("hospital")) as hospital:
        one = ChairsideDay(hospital)
        yield one
        one.close()


@pytest.fixture(scope="module")
def technician(day: ChairsideDay) -> Iterator[Browsing]:
    with signed_in(day, "tech-1") as one:
        yield one


def test_an_exposure_is_on_the_board_before_its_image_and_both_without_asking(
    day: ChairsideDay, technician: Browsing
) -> None:
    # given: the open board listens
    study = day.order(1)
    address = study_address(day, study)
    page = technician.get(address).text
    live = re.search(r'sse-connect="([^"]+)"', page)
    assert live is not None

    with technician.events(day.url + live[1].replace("&amp;", "&")) as events:
        # when
        day.expose(1, "max-incisors", share=0.3)

        # then: the order counts, not the time
        assert next(one for one in events if one == "room")
        board = technician.get(f"{address}/now").text
        assert "released early after 27 of 90 ms" in board
        assert "It gave dose and is not charged" in board
        uid = day.image(1, "max-incisors", day.expose(1, "max-incisors"))
        assert next(one for one in events if one == "study")
        day.wait_for(
            study,
            lambda one: any(image.sop_instance_uid == uid for image in one.images),
            "the image placed",
        )
    board = technician.get(f"{address}/now").text
    assert "Images: 13 of 14 views open" in board
    assert "an estimate" in board.lower()


def test_a_tap_sent_twice_and_late_is_one_fact_of_the_moment_in_which_it_was_made(
    day: ChairsideDay, technician: Browsing
) -> None:
    # given
    study = day.order(2)
    image = day.shoot(2, study, "max-incisors")
    tapped_at = datetime.now(UTC) - timedelta(minutes=3)
    fields = {
        "what": "reject",
        "image": image,
        "reason": "111209",
        "tap": "a1b2c3d4e5f6",
        "tapped_at": tapped_at.isoformat(),
    }

    # when
    first = technician.tap(day, study, fields)
    second = technician.tap(day, study, fields | {"tapped_at": datetime.now(UTC).isoformat()})

    # then
    assert (first.json()["known"], second.json()["known"]) == (False, True)
    assert first.json()["key"] == second.json()["key"]
    (fact,) = day.facts(ImageRejected.KIND, study)
    assert fact.occurred_at == tapped_at
    assert (fact.source.kind, fact.source.name) == ("person", "tech-1")
    day.wait_for(study, lambda one: one.images[0].use is ImageUse.REJECTED, "the reject")
    board = technician.get(f"{study_address(day, study)}/now").text
    assert first.json()["key"] in board
    assert "rejected: Positioning" in board

    # and taken back
    technician.tap(
        day, study, {"what": "take-back", "key": fact.natural_key, "tap": "b1b2c3d4e5f6"}
    )
    day.wait_for(study, lambda one: one.images[0].use is ImageUse.VIEW, "the reject taken back")
    assert len(day.facts(FactWithdrawn.KIND, study)) == 1


def test_a_question_of_a_link_is_answered_and_a_view_excused(
    day: ChairsideDay, technician: Browsing
) -> None:
    # given: two exposures a second apart, and one image
    study = day.order(3)
    at = day.expose(3, "max-incisors")
    day.expose(3, "max-incisors", after_s=1.0)
    day.image(3, "max-incisors", at)
    known = day.wait_for(
        study,
        lambda one: any(question.code == "link-proposed" for question in one.questions),
        "a proposed link",
    )
    board = technician.get(f"{study_address(day, study)}/now").text
    assert "Yes, this exposure" in board

    # when
    (proposed,) = [one for one in known.exposures if one.use is ExposureUse.PROPOSED]
    answers = [
        technician.tap(
            day,
            study,
            {
                "what": "link",
                "image": known.images[0].sop_instance_uid,
                "exposure": proposed.exposure_key,
                "tap": "c1b2c3d4e5f6",
            },
        ),
        technician.tap(
            day,
            study,
            {"what": "excuse", "view": "max-molars-r", "reason": "x", "tap": "d1b2c3d4e5f6"},
        ),
    ]

    # then
    assert [one.status_code for one in answers] == [200, 200]
    settled = day.wait_for(
        study,
        lambda one: not any(question.code == "link-proposed" for question in one.questions),
        "the question settled",
    )
    assert settled.images[0].exposure_key == proposed.exposure_key
    assert len(day.facts(LinkDecided.KIND, study)) == 1
    day.wait_for(
        study,
        lambda one: any(v.status is ViewStatus.EXCUSED for v in one.views),
        "the view excused",
    )
    assert len(day.facts(ViewExcused.KIND, study)) == 1


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"what": "reject", "image": "2.25.9", "reason": "111209"}, "image: expected an image"),
        ({"what": "sign"}, "what: expected one of"),
        ({"what": "close", "tapped_at": "soon"}, "tapped_at: expected a moment"),
    ],
)
def test_a_tap_that_makes_no_sense_is_refused_in_words(
    day: ChairsideDay, technician: Browsing, fields: dict[str, str], told: str
) -> None:
    study = day.order(4)

    answer = technician.tap(day, study, fields | {"tap": "e1b2c3d4e5f6"})

    assert answer.status_code == 422
    assert told in answer.text
    assert "What to do" in answer.text


def test_a_tap_of_somebody_else_is_told_in_nobodys_name(
    day: ChairsideDay, technician: Browsing
) -> None:
    study = day.order(4)

    answer = technician.tap(
        day, study, {"what": "close", "tap": "f1b2c3d4e5f6", "person": f"{SITE}/vet-1"}
    )

    assert answer.status_code == 400
    assert "Somebody else tapped this" in answer.text


def test_a_plain_form_works_without_the_pages_script(
    day: ChairsideDay, technician: Browsing
) -> None:
    study = day.order(5)
    page = technician.get(study_address(day, study)).text
    form = page.split('data-ready="plane"')[1].split("</form>")[0]
    fields = dict(re.findall(r'name="([^"]+)" value="([^"]*)"', form))

    answer = technician.post(f"{study_address(day, study)}/taps", fields)

    assert answer.status_code == 303
    assert answer.headers["location"].endswith(study)
    day.wait_for(study, lambda one: one.anaesthesia_confirmed_by == "tech-1", "the plane")


@pytest.mark.parametrize("path", ["rooms/nowhere", "rooms/dental-1/studies/2.25.9"])
def test_what_is_not_there_is_said_in_words(
    day: ChairsideDay, technician: Browsing, path: str
) -> None:
    answer = technician.get(f"{day.url}/sites/{SITE}/{path}")

    assert isinstance(answer, httpx.Response)
    assert answer.status_code == 404
    assert "What to do" in answer.text


def test_a_name_that_is_a_script_stays_words(day: ChairsideDay, technician: Browsing) -> None:
    study = day.order(6, "<script>alert(1)</script>")

    for address in (study_address(day, study), f"{day.url}/sites/{SITE}/rooms/dental-1"):
        page = technician.get(address).text
        assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in technician.get(study_address(day, study)).text
