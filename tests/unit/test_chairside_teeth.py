"""The next view, the teeth and the questions of the board, from invented assessments."""

from __future__ import annotations

from typing import Any

from schemas.conclusions import (
    ExposureUse,
    Question,
    ViewStatus,
)
from schemas.facts import (
    Patient,
    Receptor,
)
from schemas.plans import load_plans
from schemas.techniques import load_technique_chart
from schemas.teeth import Dentition, Species, teeth_of
from services.console.chairside.next_view import next_card
from services.console.chairside.questions import question_cards
from services.console.chairside.teeth import tooth_charts, tooth_groups
from services.console.views_chairside import (
    NextView,
    ToothState,
    tooth_states,
)
from tests.assessed import WHOLE_PATIENT, assessed, exposure, image, view

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


def test_an_image_from_elsewhere_is_answered_by_saying_that_no_exposure_here_made_it() -> None:
    question = Question(
        code="image-from-elsewhere", words="Which?", about=("image:2.25.2001:0000000000000000",)
    )

    (card,) = question_cards(assessed(1, [image(1)], questions=(question,)))

    assert card.image == "2.25.2001"
    assert [answer.exposure_key for answer in card.links] == [None]


def test_an_image_in_doubt_is_settled_by_assigning_or_rejecting_it() -> None:
    question = Question(
        code="patient-differs", words="Whose?", about=("image:2.25.2001:0000000000000000",)
    )

    (card,) = question_cards(assessed(1, [image(1)], questions=(question,)))

    assert (card.image, card.links, card.next_action) == ("2.25.2001", (), None)
