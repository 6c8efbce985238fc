"""What the board reads of the patient on the table and of the room, on both databases."""

from datetime import timedelta

import pytest

from schemas.facts import Receptor
from schemas.group import Sensor
from services.console.chairside.board import on_the_table, receptors_of, table_of
from services.console.site_rules import SiteRules
from services.console.views_chairside import room_board
from services.runtime.store import Store
from tests.assessed import GROUP, START, STUDY, exposure
from tests.console_told import DAY, OTHER, exposure_told, hear, image_told, study, told

SITE = GROUP.site("north")
NOW = START + timedelta(minutes=20)


def test_an_exposure_that_no_patient_holds_is_at_the_table_for_a_quarter_of_an_hour(
    store: Store,
) -> None:
    # given: one that a study holds, one of late, one of half an hour ago, and a test exposure
    held = exposure_told(1)
    hear(store, [held, exposure_told(15), exposure_told(2), exposure_told(16, test_exposure=True)])
    hear(store, [told(study(1, facts=(held.natural_key,)))])

    with store.read() as connection:
        table = table_of(connection, SITE, SiteRules(), "dental-1", STUDY, NOW)
        later = table_of(
            connection, SITE, SiteRules(), "dental-1", STUDY, NOW + timedelta(minutes=30)
        )

    assert table is not None
    assert later is not None
    waiting = [entry for entry in table.entries if not entry.placed]
    assert [entry.at - START for entry in waiting] == [timedelta(minutes=15, seconds=1)]
    assert "1 exposure has no image yet" in table.wake.notes
    assert all(entry.placed for entry in later.entries)


def test_another_patient_of_the_room_with_newer_images_is_named(store: Store) -> None:
    later = (exposure(12),)
    hear(store, [told(study(1)), told(study(3, OTHER, exposures=later))])

    with store.read() as connection:
        table = table_of(connection, SITE, SiteRules(), "dental-1", STUDY, NOW)
        nobody = table_of(connection, SITE, SiteRules(), "dental-1", "2.25.9", NOW)
        board = room_board(connection, "north", "dental-1", DAY)

    assert nobody is None
    assert table is not None
    assert [one.study_instance_uid for one in table.others] == [OTHER]
    assert table.newer == {OTHER}
    assert on_the_table(board) == OTHER


def test_the_patient_of_whom_an_image_just_came_is_on_the_table(store: Store) -> None:
    hear(store, [told(study(1)), told(study(3, OTHER)), image_told(9)])

    with store.read() as connection:
        assert on_the_table(room_board(connection, "north", "dental-1", DAY)) == STUDY


@pytest.mark.parametrize("closed", [True, False])
def test_a_closed_patient_is_on_no_table(store: Store, closed: bool) -> None:
    hear(store, [told(study(1, closed=closed))])

    with store.read() as connection:
        found = on_the_table(room_board(connection, "north", "dental-1", DAY))

    assert found == (None if closed else STUDY)


def test_the_receptor_is_as_the_rooms_exposures_tell_else_as_its_sensors_are(store: Store) -> None:
    film = Sensor(name="film-box", room="dental-1", receptor=Receptor.FILM)
    site = SITE.model_copy(update={"sensors": (film,)})
    with store.read() as connection:
        assert receptors_of(connection, site, "dental-1", DAY) == {Receptor.FILM}

    hear(store, [exposure_told(1)])

    with store.read() as connection:
        assert receptors_of(connection, site, "dental-1", DAY) == {Receptor.DIRECT_SENSOR}
