"""The assessed studies of a period, read from each kind of store and counted for the rates."""

from collections.abc import Iterator
from datetime import date

import pytest

from schemas.conclusions import (
    ExposureUse,
    ImageUse,
    RepeatFound,
    RepeatKind,
    StudyAssessed,
    ViewStatus,
)
from schemas.quality.rated import rated_images
from schemas.quality.rates import RatedImage
from services.assessment.room_day import RoomDay
from services.assessment.store import write_studies
from services.assessment.study_period import studies_between
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.assessed import assessed, exposure, image, view

DAYS = (date(2026, 3, 2), date(2026, 3, 3), date(2026, 4, 1))


def study(day: date, number: int, training: bool = False) -> StudyAssessed:
    rejected = image(1, ImageUse.REJECTED, view="view-1", words="rejected: reason 111209, blurred")
    again = image(2, view="view-1", exposure_key="exposure:INVENTED-0001:2")
    linked = exposure(2, ExposureUse.IMAGE, sop_instance_uid="2.25.2002", operator="tech-1")
    repeat = RepeatFound(
        kind=RepeatKind.REJECTED_THEN_RETAKEN,
        view="view-1",
        first="2.25.2001",
        again="2.25.2002",
        seconds_between=60.0,
        words="Retaken after the first was rejected.",
        rule="repeat-after-reject",
    )
    return assessed(
        images=[
            rejected.model_copy(update={"station": "station-1"}),
            again.model_copy(update={"station": "station-1", "sensor": "sensor-a"}),
        ],
        exposures=(linked,),
        repeats=(repeat,),
        views=(view(1, ViewStatus.DONE),),
        study_instance_uid=f"2.25.{number}",
        day=day,
        training=training,
    )


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """Hold three studies in the north, one on each day, and one in the south."""
    opened = Store(database_url)
    migrate(opened)
    with opened.begin() as connection:
        for number, day in enumerate(DAYS):
            where = RoomDay("north", "dental-1", day)
            write_studies(connection, [(where, study(day, number + 1), f"digest-{number}")])
        where = RoomDay("south", "dental-1", DAYS[0])
        write_studies(connection, [(where, study(DAYS[0], 9), "digest-9")])
    yield opened
    opened.close()


def found(
    store: Store, site: str | None, first: date | None, last: date | None
) -> list[tuple[str, str]]:
    with store.read() as connection:
        return [
            (site, one.study_instance_uid)
            for site, one in studies_between(connection, site, first, last)
        ]


def test_without_bounds_every_study_is_found_once(store: Store) -> None:
    assert found(store, None, None, None) == [
        ("north", "2.25.1"),
        ("north", "2.25.2"),
        ("north", "2.25.3"),
        ("south", "2.25.9"),
    ]


def test_a_period_holds_its_first_and_its_last_day(store: Store) -> None:
    assert found(store, "north", DAYS[0], DAYS[1]) == [("north", "2.25.1"), ("north", "2.25.2")]
    assert found(store, "north", DAYS[1], None) == [("north", "2.25.2"), ("north", "2.25.3")]


def test_a_site_without_studies_has_none(store: Store) -> None:
    assert found(store, "east", None, None) == []


def test_an_image_is_counted_with_its_reason_operator_view_and_device() -> None:
    day = DAYS[0]
    assert list(rated_images(study(day, 1))) == [
        RatedImage(
            day=day,
            rejected=True,
            repeat=False,
            reason="reason 111209",
            operator=None,
            view="invented view 1",
            device="station-1",
        ),
        RatedImage(
            day=day,
            rejected=False,
            repeat=True,
            operator="tech-1",
            view="invented view 1",
            device="sensor-a",
        ),
    ]


def test_images_of_a_training_study_are_not_counted() -> None:
    assert list(rated_images(study(DAYS[0], 1, training=True))) == []
