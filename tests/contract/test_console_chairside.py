"""What the board of a room reads of the read model, on both databases."""

from schemas.conclusions import Concern, TechniqueFinding, ViewStatus
from services.console import (
    views_chairside,
)
from services.console.views_chairside import ToothState
from services.runtime.store import Store
from tests.assessed import STUDY, view
from tests.console_told import (
    DAY,
    exposure_told,
    hear,
    image_told,
    room_day,
    study,
    told,
)


def test_a_room_shows_its_patients_of_the_day_and_what_just_came(store: Store) -> None:
    hear(store, [told(study(2)), exposure_told(7), image_told(7), exposure_told(8)])
    loose = room_day(1)
    key = exposure_told(8).natural_key
    one = loose.exposures[0].model_copy(update={"exposure_key": key})
    hear(store, [told(loose.model_copy(update={"exposures": (one,)}))])

    with store.read() as connection:
        board = views_chairside.room_board(connection, "north", "dental-1", DAY)

    assert [one.study_instance_uid for one in board.patients] == [STUDY]
    assert [one.fact.KIND for one in board.just_told] == ["image_stored", "exposure_ended"]
    assert [one.exposure_key for one in board.loose] == [key]


def test_what_is_assessed_is_no_longer_shown_as_just_come(store: Store) -> None:
    keys = (image_told(1).natural_key, exposure_told(1).natural_key)
    hear(store, [exposure_told(1), image_told(1)])
    hear(store, [told(study(1, facts=keys))])

    with store.read() as connection:
        board = views_chairside.room_board(connection, "north", "dental-1", DAY)
        one = views_chairside.study_board(connection, "north", STUDY)

    assert board.just_told == ()
    assert one is not None
    assert one.just_told == ()


def test_a_test_exposure_is_of_no_patient(store: Store) -> None:
    hear(store, [exposure_told(1, test_exposure=True)])

    with store.read() as connection:
        assert not views_chairside.room_board(connection, "north", "dental-1", DAY).just_told


def test_the_board_of_a_study_tells_teeth_next_view_and_what_is_missing(store: Store) -> None:
    views = (
        view(1, teeth=(309, 310)),
        view(2, ViewStatus.MISSING, teeth=(310, 311)),
        view(3, ViewStatus.EXCUSED, teeth=(305, 306)),
        view(4, ViewStatus.NEEDS_PERSON, teeth=(301,)),
    )
    misfit = TechniqueFinding(
        code="not-back-at-preset",
        exposure_key="exposure:INVENTED-0001:1",
        concern=Concern.CHECK,
        words="not back at its preset",
        rule="manual-change-holds-once",
    )
    given = study(
        1,
        views=views,
        teeth_without_view=(301, 311),
        absent_teeth=(305,),
        suggested_views=("view-2",),
        suggestion_words="1 view shows all that is left.",
        still_missing=("invented view 2",),
        technique=(misfit, misfit.model_copy(update={"concern": Concern.NOTE})),
        anaesthesia_confirmed_by="tech-1",
    )
    hear(store, [told(given.model_copy(update={"images": ()}))])

    with store.read() as connection:
        board = views_chairside.study_board(connection, "north", STUDY)

    assert board is not None
    assert board.teeth == {
        301: ToothState.NEEDS_PERSON,
        305: ToothState.ABSENT,
        306: ToothState.EXCUSED,
        309: ToothState.COVERED,
        310: ToothState.COVERED,
        311: ToothState.MISSING,
    }
    assert board.next_view is not None
    assert (board.next_view.view.view, board.next_view.why) == (
        "view-2",
        "1 view shows all that is left.",
    )
    assert board.may_wake.missing == ("invented view 2",)
    assert not board.may_wake.nothing_missing
    assert board.misfits == (misfit,)
    assert board.readiness.anaesthesia_confirmed_by == "tech-1"


def test_moments_come_in_time_and_an_exposure_shares_its_images(store: Store) -> None:
    hear(store, [told(study(3))])

    with store.read() as connection:
        board = views_chairside.study_board(connection, "north", STUDY)
        nobody = views_chairside.study_board(connection, "north", "2.25.9")

    assert nobody is None
    assert board is not None
    assert [one.image for one in board.moments] == ["2.25.2001", "2.25.2002", "2.25.2003", None]
    assert [one.rejected for one in board.moments] == [True, False, False, False]
    assert [one.ended_early for one in board.moments] == [False, False, False, True]
    assert list(board.moments) == sorted(board.moments, key=lambda one: one.at)
