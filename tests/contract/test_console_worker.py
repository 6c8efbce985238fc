"""The console's read model on both databases: the newest of everything, whatever the order."""

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from schemas.envelope import Message, Payload
from schemas.facts import PostingOutcome
from services.console import tables
from services.console.change_store import bounds, changes_after
from services.console.changes import topic
from services.console.figures import figures_of
from services.runtime.store import Store
from tests.assessed import STUDY
from tests.console_told import (
    DAY,
    OTHER,
    a_day,
    answered,
    charges,
    clock_read,
    empty,
    exposure_told,
    hear,
    image_told,
    note,
    room_day,
    rows_of,
    study,
    told,
)

TOLD = a_day()


@given(st.data())
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_order_and_any_doubling_give_the_same_tables(store: Store, data: st.DataObject) -> None:
    empty(store)
    hear(store, TOLD)
    expected = rows_of(store)
    twice = data.draw(st.lists(st.sampled_from(TOLD), max_size=6), label="told twice")
    order = data.draw(st.permutations([*TOLD, *twice]), label="order")
    empty(store)

    while order:
        size = data.draw(st.integers(1, len(order)), label="batch")
        batch, order = order[:size], order[size:]
        hear(store, batch)

    assert rows_of(store) == expected


def test_a_replay_into_an_empty_read_model_gives_the_same_tables(store: Store) -> None:
    for message in TOLD:
        hear(store, [message])
    expected = rows_of(store)
    empty(store)

    hear(store, TOLD)

    assert rows_of(store) == expected


def test_an_older_revision_changes_nothing_and_tells_no_change(store: Store) -> None:
    hear(store, [told(study(3)), told(note(2)), told(charges(2)), told(room_day(2))])
    expected, number = rows_of(store), _newest(store)

    hear(store, [told(study(2)), told(note(1)), told(charges(1)), told(room_day(1, loose=3))])

    now = rows_of(store)
    # A note's earlier revisions are kept to be compared with; its newest one stands as it was.
    earlier, kept = now.pop(tables.NOTE_REVISION.name), expected.pop(tables.NOTE_REVISION.name)
    assert [row for row in earlier if row in kept] == kept
    assert [row[2] for row in earlier if row not in kept] == [1]
    assert now == expected
    assert _newest(store) == number


def test_the_figures_are_those_of_the_newest_revisions_alone(store: Store) -> None:
    for revision in (1, 2, 3):
        hear(store, [told(study(revision)), told(study(revision, OTHER))])
    figures = figures_of(study(3))

    with store.read() as connection:
        rows = connection.execute(select(tables.FIGURES_DAY)).mappings().all()

    assert {row["view"] for row in rows} == {of.view for of in figures.counts}
    for row in rows:
        (one,) = [n for of, n in figures.counts.items() if of.view == row["view"]]
        assert {name: row[name] for name in one} == {name: 2 * n for name, n in one.items()}


def test_a_study_that_was_a_training_leaves_no_figures_behind(store: Store) -> None:
    hear(store, [told(study(1))])
    hear(store, [told(study(2, training=True))])

    left = rows_of(store)
    names = (
        "console_figures_day",
        "console_figures_month",
        "console_figures_site",
        "console_figures_site_day",
        "console_rejects_day",
    )
    assert [left[name] for name in names] == [[]] * len(names)


def test_a_days_total_follows_what_the_record_answers(store: Store) -> None:
    hear(store, [told(study(3)), told(charges(3))])
    assert _total(store) == {"waiting": 3, "waiting_cents": 11400, "posted_cents": 0, "refused": 0}

    hear(store, [answered("charge:2.25.1001:1", PostingOutcome.ACCEPTED, 5)])
    hear(store, [answered("charge:2.25.1001:2", PostingOutcome.REJECTED, 5)])
    assert _total(store) == {
        "waiting": 1,
        "waiting_cents": 3800,
        "posted_cents": 3800,
        "refused": 1,
    }

    hear(store, [answered("charge:2.25.1001:2", PostingOutcome.ACCEPTED, 9)])
    assert _total(store) == {
        "waiting": 1,
        "waiting_cents": 3800,
        "posted_cents": 7600,
        "refused": 0,
    }


def test_a_days_total_moves_with_its_study(store: Store) -> None:
    hear(store, [told(study(1)), told(charges(1))])
    hear(store, [told(study(2, day=DAY.replace(day=5)))])

    with store.read() as connection:
        days = connection.execute(select(tables.BILL_DAY.c.day, tables.BILL_DAY.c.site)).all()

    assert sorted(days) == [(DAY.replace(day=5), ""), (DAY.replace(day=5), "north")]


def test_a_devices_newest_clock_reading_stays_when_an_older_one_comes_late(store: Store) -> None:
    newer = told(clock_read(20.0, minute=9), minute=9, by="generator-1", kind="device")
    hear(store, [newer])
    hear(store, [told(clock_read(3.0), minute=6, by="generator-1", kind="device")])

    with store.read() as connection:
        row = connection.execute(select(tables.DEVICE)).one()

    assert row.clock_ahead_s == 20.0
    assert row.last_contact_at == newer.received_at


def test_an_image_told_under_two_message_ids_is_stored_once(store: Store) -> None:
    hear(store, [image_told(1)])
    hear(store, [image_told(1), image_told(2)])

    with store.read() as connection:
        rows = connection.execute(select(tables.STORAGE_DAY)).all()

    told = {row.site: (row.images, row.bytes) for row in rows}
    assert told == {"north": (2, 4_400_000), tables.WHOLE_GROUP: (2, 4_400_000)}


def test_pages_learn_which_topics_changed_and_no_others(store: Store) -> None:
    hear(store, [told(study(1)), told(study(1, OTHER))])
    seen = _newest(store)

    hear(store, [told(study(2))])

    expected = {topic("site", "north"), topic("room", "north", "dental-1")}
    assert _changed(store, seen) == expected | {topic("study", "north", STUDY)}


def test_an_exposure_reaches_its_rooms_page_before_it_is_assessed(store: Store) -> None:
    hear(store, [exposure_told(1)])

    assert _changed(store, 0) == {topic("site", "north"), topic("room", "north", "dental-1")}


def _newest(store: Store) -> int:
    with store.read() as connection:
        return bounds(connection)[1]


def _changed(store: Store, since: int) -> set[str]:
    with store.read() as connection:
        return {change.topic for change in changes_after(connection, since)}


def _total(store: Store) -> dict[str, Any]:
    with store.read() as connection:
        own = tables.BILL_DAY.c.site == "north"
        row = connection.execute(select(tables.BILL_DAY).where(own)).mappings().one()
    return {name: row[name] for name in ("waiting", "waiting_cents", "posted_cents", "refused")}


def test_whoever_lacks_its_study_waits_for_it(store: Store) -> None:
    messages: list[Message[Payload]] = [told(charges(1)), told(note(1))]
    hear(store, messages)
    with store.read() as connection:
        assert connection.execute(select(tables.BILL_DAY)).all() == []
        assert connection.scalar(select(tables.NOTE.c.since)) is None

    hear(store, [told(study(1, closed=True))])
    with store.read() as connection:
        assert connection.scalar(select(tables.BILL_MONTH.c.studies)) == 1
        assert connection.scalar(select(tables.NOTE.c.waits_for)) == "signature"
