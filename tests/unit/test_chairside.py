"""What the board beside the patient says, from invented assessments."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
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
from schemas.errors import InvalidInput
from schemas.facts import (
    ExposureEnded,
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    ImageStored,
    LinkDecided,
    Patient,
    ReadinessChecked,
    Receptor,
    ToothAbsent,
    ViewExcused,
)
from schemas.plans import load_plans
from schemas.protection import MarkedPosition
from schemas.techniques import SizeRule, load_technique_chart
from schemas.teeth import Dentition, Species, teeth_of
from services.console.chairside.decisions import decision_of, settled_keys, standing, words_of
from services.console.chairside.dose import dose_card
from services.console.chairside.entries import alerts_of, entries_of
from services.console.chairside.next_view import next_card
from services.console.chairside.questions import question_cards
from services.console.chairside.readiness import ReadinessNow, positions_words, readiness_now
from services.console.chairside.teeth import tooth_charts, tooth_groups
from services.console.chairside.tells import EXCUSES, fact_of, moment_of
from services.console.chairside.wake import CLOSING, wake_card
from services.console.views_chairside import (
    JustTold,
    NextView,
    Readiness,
    StudyBoard,
    ToothState,
    WakeAnswer,
    moments_of,
    next_view,
    tooth_states,
)
from tests.assessed import DOSE, START, STUDY, WHOLE_PATIENT, assessed, exposure, image, view

RULE = SizeRule()
AT = "2026-03-02T09:40:00+00:00"


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


# Next view


def card_for(patient: Patient | None, receptors: set[Receptor]) -> Any:
    plan = load_plans()["dog-full-mouth"]
    wanted = plan.views[0]
    missing = view(1, ViewStatus.MISSING).model_copy(
        update={"view": wanted.code, "title": wanted.name, "teeth": wanted.teeth}
    )
    study = assessed(1, patient=patient, views=(missing,))
    return next_card(NextView(missing, "1 view"), study, plan, load_technique_chart(), receptors)


def test_the_next_view_comes_with_technique_position_and_the_charts_setting_for_this_animal() -> (
    None
):
    card = card_for(WHOLE_PATIENT, {Receptor.DIRECT_SENSOR})

    (setting,) = card.settings
    assert (setting.tube_kv, setting.tube_current_ma, setting.exposure_ms) == (65.0, 7.0, 90.0)
    assert "small animal (11.4 kg), direct sensor" in setting.why
    assert "invented: not for use" in setting.why
    assert card.reminder.name == "Bisecting angle"
    assert card.planned.positioning.startswith("Sternal or lateral")
    assert any(source.basis == "invented" for source in card.sources)


def test_without_a_weight_both_sizes_are_shown_and_that_it_is_not_told() -> None:
    light = WHOLE_PATIENT.model_copy(update={"weight": None})

    card = card_for(light, {Receptor.FILM})

    assert [one.exposure_ms for one in card.settings] == [270.0, 420.0]
    assert all("no weight is told" in one.why for one in card.settings)


def test_a_room_whose_receptor_is_not_known_shows_a_setting_for_each() -> None:
    assert len(card_for(WHOLE_PATIENT, set()).settings) == len(Receptor)
    assert card_for(None, set()).settings == ()


# Teeth


def test_every_tooth_is_drawn_once_with_its_state_and_stands_in_the_list() -> None:
    views = (
        view(1, teeth=(309, 310)),
        view(2, ViewStatus.MISSING, teeth=(311,)),
        view(3, ViewStatus.EXCUSED, teeth=(305,)),
        view(4, ViewStatus.NEEDS_PERSON, teeth=(301,)),
    )
    study = assessed(1, views=views, teeth_without_view=(301, 311))
    states = tooth_states(study)

    (chart,) = tooth_charts(study, states, frozenset({311}))

    assert {one.box.tooth for one in chart.teeth} == teeth_of(Species.DOG, Dentition.PERMANENT)
    drawn = {one.box.tooth: one for one in chart.teeth}
    assert drawn[311].is_next
    assert not drawn[310].is_next
    assert drawn[108].state is None
    groups = {group.state: [tooth for tooth, _ in group.teeth] for group in tooth_groups(states)}
    assert groups == {
        ToothState.MISSING: [311],
        ToothState.NEEDS_PERSON: [301],
        ToothState.COVERED: [309, 310],
        ToothState.EXCUSED: [305],
    }


def test_without_a_species_there_is_no_chart() -> None:
    assert (
        tooth_charts(
            assessed(1, patient=None, views=(view(1),)), {309: ToothState.COVERED}, frozenset()
        )
        == ()
    )


# Questions


def test_a_proposed_link_is_answered_by_its_exposure_another_or_none() -> None:
    proposed = exposure(1, ExposureUse.PROPOSED, sop_instance_uid="2.25.2001")
    question = Question(
        code="link-proposed",
        words="Did it make this image?",
        about=(proposed.exposure_key, "image:2.25.2001:0000000000000000"),
    )
    study = assessed(
        1,
        [image(1)],
        exposures=(proposed, exposure(2, ExposureUse.NO_IMAGE), exposure(3)),
        questions=(question, Question(code="several-orders", words="Which order?")),
    )

    link, orders = question_cards(study)

    assert link.image == "2.25.2001"
    assert [answer.exposure_key for answer in link.links] == [
        "exposure:INVENTED-0001:1",
        "exposure:INVENTED-0001:2",
        None,
    ]
    assert orders.links == ()
    assert orders.next_action is not None


def test_an_image_in_doubt_is_settled_by_assigning_or_rejecting_it() -> None:
    question = Question(
        code="patient-differs", words="Whose?", about=("image:2.25.2001:0000000000000000",)
    )

    (card,) = question_cards(assessed(1, [image(1)], questions=(question,)))

    assert (card.image, card.links, card.next_action) == ("2.25.2001", (), None)


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


# Decisions and what a tap tells


def test_the_last_decision_is_found_among_the_facts_with_its_words() -> None:
    facts = (
        "image:2.25.2001:0000000000000000",
        f"readiness:{STUDY}:2026-03-02T09:20:00+00:00",
        "rejected:2.25.2001:111209:2026-03-02T09:30:00.123456+00:00",
        "linked:2.25.2001:exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00:"
        "2026-03-02T09:25:00+00:00",
        "rejected:2.25.9:111209:2026-03-02T09:50:00+00:00",
        f"withdrawn:excused:{STUDY}:view-1:2026-03-02T09:28:00+00:00",
        "order:1001:1",
    )
    study = assessed(1, [image(1)], facts=facts)

    found = standing(study)

    assert [one.kind for one in found] == ["readiness", "linked", "rejected"]
    assert found[1].what == "exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00"
    assert words_of(found[-1], study) == "Image rejected: Positioning"
    assert f"excused:{STUDY}:view-1:2026-03-02T09:28:00+00:00" in settled_keys(study)


@pytest.mark.parametrize(
    ("what", "fields", "fact"),
    [
        ("reject", {"image": "2.25.1", "reason": "111209"}, ImageRejected),
        ("assign", {"image": "2.25.1", "view": "view-1"}, ImageAssigned),
        ("excuse", {"view": "view-1", "reason": EXCUSES[0]}, ViewExcused),
        ("absent", {"tooth": "305"}, ToothAbsent),
        ("link", {"image": "2.25.1", "exposure": "exposure:INVENTED-0001:1"}, LinkDecided),
        ("link", {"image": "2.25.1", "exposure": ""}, LinkDecided),
        ("ready", {"plane": "yes", "people": "no", "cover": "yes"}, ReadinessChecked),
        ("take-back", {"key": f"rejected:2.25.1:111209:{AT}"}, FactWithdrawn),
    ],
)
def test_a_tap_becomes_its_fact(what: str, fields: Mapping[str, str], fact: type[Any]) -> None:
    told = fact_of(what, fields, STUDY, frozenset({"2.25.1"}), frozenset({"view-1"}))

    assert type(told) is fact
    assert told.natural_key(START) is not None


@pytest.mark.parametrize(
    ("what", "fields", "field"),
    [
        ("reject", {"image": "2.25.2", "reason": "111209"}, "image"),
        ("reject", {"image": "2.25.1", "reason": "999999"}, "reason"),
        ("assign", {"image": "2.25.1", "view": "view-9"}, "view"),
        ("excuse", {"view": "view-1", "reason": ""}, "reason"),
        ("absent", {"tooth": "x"}, "tooth"),
        ("ready", {"plane": "yes", "people": "perhaps", "cover": "yes"}, "people"),
        ("take-back", {"key": f"rejected:2.25.2:111209:{AT}"}, "key"),
        ("take-back", {"key": "image:2.25.1:0000000000000000"}, "key"),
        ("sign", {}, "what"),
    ],
)
def test_a_tap_that_makes_no_sense_names_its_field(
    what: str, fields: Mapping[str, str], field: str
) -> None:
    with pytest.raises(InvalidInput) as caught:
        fact_of(what, fields, STUDY, frozenset({"2.25.1"}), frozenset({"view-1"}))

    assert caught.value.field == field


def test_the_moment_of_a_tap_has_a_zone() -> None:
    assert moment_of("") is None
    assert moment_of("2026-03-02T09:40:00.123Z") == datetime(2026, 3, 2, 9, 40, 0, 123000, UTC)
    for told in ("2026-03-02T09:40:00", "soon"):
        with pytest.raises(InvalidInput, match="tapped_at"):
            moment_of(told)


def test_a_key_of_no_decision_is_none() -> None:
    assert decision_of("exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00") is None
    assert decision_of(f"readiness:{STUDY}:{AT}") is not None
