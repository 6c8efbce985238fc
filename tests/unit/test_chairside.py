"""What the board beside the patient says, from invented assessments."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from schemas.conclusions import (
    Concern,
    DoseVerdict,
    ExposureUse,
    ImageUse,
    Question,
    StudyAssessed,
    TechniqueFinding,
    ViewStatus,
)
from schemas.facts import (
    ExposureEnded,
    ImageStored,
    ReadinessChecked,
)
from schemas.protection import MarkedPosition
from schemas.techniques import SizeRule
from services.console.chairside.dose import dose_card
from services.console.chairside.entries import alerts_of, entries_of
from services.console.chairside.readiness import ReadinessNow, positions_words, readiness_now
from services.console.chairside.wake import CLOSING, wake_card
from services.console.views_chairside import (
    JustTold,
    Readiness,
    StudyBoard,
    WakeAnswer,
    moments_of,
    next_view,
    tooth_states,
)
from tests.assessed import DOSE, START, STUDY, WHOLE_PATIENT, assessed, exposure, image, view

RULE = SizeRule()


def board(study: StudyAssessed, *just_told: JustTold) -> StudyBoard:
    """Make the board of a study as the read side does."""
    return StudyBoard(
        site="north",
        changed_at=START,
        study=study,
        teeth=tooth_states(study),
        next_view=next_view(study),
        moments=moments_of(study),
        misfits=tuple(one for one in study.technique if one.concern is Concern.CHECK),
        readiness=Readiness(
            study.anaesthesia_confirmed_by, study.people_outside_beam, study.new_sensor_cover
        ),
        may_wake=WakeAnswer(
            not study.still_missing and not study.questions,
            study.still_missing,
            len(study.questions),
        ),
        just_told=just_told,
    )


def just_told(fact: Any, minute: int = 30) -> JustTold:
    at = START + timedelta(minutes=minute)
    return JustTold(fact.natural_key(at), at, at, fact)


def exposed(**values: Any) -> ExposureEnded:
    return ExposureEnded.model_validate(ExposureEnded.EXAMPLES[0] | values, strict=False)


def checked(plane: bool, people: bool, cover: bool) -> ReadinessChecked:
    return ReadinessChecked(
        study_instance_uid=STUDY,
        anaesthetic_plane_confirmed=plane,
        people_outside_beam=people,
        new_sensor_cover=cover,
    )


# May we wake the patient?


@pytest.mark.parametrize(
    ("values", "told", "verdict"),
    [
        ({}, (), "Images: no plan is known, so nothing is counted"),
        (
            {"views": (view(1), view(2, ViewStatus.MISSING)), "still_missing": ("view 2",)},
            (),
            "Images: 1 of 2 views open",
        ),
        ({"views": (view(1),)}, (), "Images: nothing of the plan is missing"),
        (
            {"views": (view(1),), "questions": (Question(code="several-orders", words="Which?"),)},
            (),
            "Images: not settled yet",
        ),
        ({"views": (view(1),)}, (just_told(exposed()),), "Images: not settled yet"),
    ],
)
def test_waking_is_answered_by_what_is_missing_of_the_images_and_never_by_yes(
    values: dict[str, Any], told: tuple[JustTold, ...], verdict: str
) -> None:
    card = wake_card(board(assessed(1, **values), *told))

    assert card.verdict == verdict
    said = " ".join((card.verdict, *card.missing, *card.notes)).lower()
    assert not any(word in said.split() for word in ("yes", "may", "can", "safe", "ok", "wake"))
    assert "the vet and the anaesthetist" in CLOSING


def test_many_missing_views_are_told_by_the_first_and_their_number() -> None:
    names = tuple(f"invented view {n}" for n in range(9))
    views = tuple(view(n, ViewStatus.MISSING) for n in range(9))

    card = wake_card(board(assessed(1, views=views, still_missing=names)))

    assert (card.missing, card.more) == (names[:4], 5)


# What comes


def test_an_early_end_says_dose_no_charge_and_when_to_repeat_until_the_next_exposure() -> None:
    early = exposure(
        2, ExposureUse.ENDED_EARLY, set_exposure_ms=120.0, exposure_ms=36.0, kerma_mgy=0.3
    )
    study = assessed(1, [image(1)], exposures=(exposure(1, sop_instance_uid="2.25.2001"), early))

    (alert,) = alerts_of(board(study), (), RULE)

    assert alert.words == "The switch was let go after 36 of 120 ms. About 0.3 mGy (estimate)."
    assert "gave dose and is not charged" in alert.next_action
    assert "only if there is no diagnostic image" in alert.next_action
    assert alerts_of(board(study), (just_told(exposed()),), RULE) == ()


def test_an_early_end_is_told_before_anything_is_concluded_from_it() -> None:
    study = assessed(1)
    early = just_told(exposed(set_exposure_ms=120.0, exposure_ms=36.0))

    (alert,) = alerts_of(board(study), (early,), RULE)
    (entry,) = entries_of(board(study), (early,))

    assert alert.code == "ended-early"
    assert entry.ended_early
    assert entry.words[0] == "released early after 36 of 120 ms"


def test_a_setting_for_another_size_of_animal_is_told_at_once() -> None:
    study = assessed(1, patient=WHOLE_PATIENT)  # 11.4 kg: small
    large = just_told(exposed(animal_size="large"))

    (alert,) = alerts_of(board(study), (large,), RULE)

    assert "set for a large animal" in alert.words
    assert "wants the small setting" in alert.words
    assert alerts_of(board(study), (just_told(exposed(animal_size="small")),), RULE) == ()


def test_a_check_of_the_last_exposure_wants_a_look_and_an_older_one_is_history() -> None:
    finding = TechniqueFinding(
        code="off-preset",
        exposure_key="exposure:INVENTED-0001:1",
        concern=Concern.CHECK,
        words="140 ms instead of 90 ms",
        rule="technique-chart",
    )
    one = assessed(1, exposures=(exposure(1),), technique=(finding,))
    two = assessed(1, exposures=(exposure(1), exposure(2)), technique=(finding,))

    assert [alert.words for alert in alerts_of(board(one), (), RULE)] == [finding.words]
    assert alerts_of(board(two), (), RULE) == ()
    assert any(finding.words in word for entry in entries_of(board(two)) for word in entry.words)


def test_dose_above_the_groups_level_is_told_as_an_estimate() -> None:
    dose = DOSE.model_copy(update={"verdict": DoseVerdict.NOTIFY})

    (alert,) = alerts_of(board(assessed(1, dose=dose)), (), RULE)

    assert "notify" in alert.title
    assert "not a dosimeter" in alert.next_action


def test_the_newest_comes_first_and_a_rejects_code_is_said_in_words() -> None:
    rejected = image(1, ImageUse.REJECTED, words="rejected: reason 111209, tilted (invented)")
    study = assessed(1, [rejected, image(2)])
    stored = ImageStored.model_validate(
        ImageStored.EXAMPLES[0] | {"sop_instance_uid": "2.25.2009"}, strict=False
    )

    entries = entries_of(board(study, just_told(stored, minute=0)))

    assert [entry.image for entry in entries] == ["2.25.2009", "2.25.2002", "2.25.2001"]
    assert "rejected: Positioning, tilted (invented)" in entries[2].words
    assert [entry.placed for entry in entries] == [False, True, True]


# Readiness, dose


def test_a_check_that_was_just_told_outranks_the_last_and_a_cover_stays_new() -> None:
    study = assessed(
        1,
        anaesthesia_confirmed_by="tech-1",
        people_outside_beam=True,
        new_sensor_cover=True,
        readiness_fact="readiness:1",
    )

    assert readiness_now(board(study)) == ReadinessNow(True, True, True)
    newer = board(study, just_told(checked(False, True, False)))
    assert readiness_now(newer) == ReadinessNow(False, True, True)
    assert readiness_now(board(assessed(1))) == ReadinessNow(None, None, None)


def test_people_stand_where_the_site_has_marked_else_where_a_published_text_wants_them() -> None:
    marked = MarkedPosition(
        name="operator", room="dental-1", who="worker", distance_m=2.5, angle_degrees=110.0
    )

    assert "operator 2.5 m" in positions_words((marked,), "dental-1")
    other = positions_words((marked,), "dental-2")
    assert other.startswith("2 m or more away (NCRP Report 145")


def test_the_dose_so_far_stands_beside_the_plans_and_unknown_ones_are_named() -> None:
    dose = DOSE.model_copy(update={"unknown_exposures": 1, "planned": None})

    card = dose_card(assessed(1, dose=dose))

    assert card.so_far == "3.2 mGy in 2 exposures (±50%, k = 2)"
    assert card.share is None
    assert "1 without a known dose, in no sum" in card.notes
