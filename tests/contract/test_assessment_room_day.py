"""What a room-day holds beside its studies, on a real store: told when it changed."""

import random

from schemas.conclusions import RoomDayAssessed
from schemas.facts import LinkDecided
from services.runtime.store import Store
from tests.contract.test_assessment_worker import empty, fresh, handle, sent
from tests.room_facts import STUDY, after, exposure, order, told
from tests.unit.test_loose import ALL, EXPECTED, codes, series


def revisions(store: Store) -> list[RoomDayAssessed]:
    found = [message.payload for message in sent(store, RoomDayAssessed)]
    return [one for one in found if isinstance(one, RoomDayAssessed)]


def test_nothing_is_said_of_a_room_day_that_holds_nothing(store: Store) -> None:
    handle(store, [order()], fresh())
    assert revisions(store) == []


def test_a_revision_is_sent_when_something_is_loose_and_when_it_no_longer_is(store: Store) -> None:
    stray = exposure(90, 5000.0)
    handle(store, [*series(), stray], fresh())
    handle(store, [order(revision=2)], fresh())  # changes nothing of the room-day
    assert [one.revision for one in revisions(store)] == [1]
    assert codes(revisions(store)[0]) == ["no-image-near"]
    decided = LinkDecided(
        study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.0", exposure_key=stray.natural_key
    )
    handle(store, [told(decided, after(6000.0))], fresh())
    assert [one.revision for one in revisions(store)] == [1, 2]
    assert stray.natural_key not in [one.exposure_key for one in revisions(store)[1].exposures]


def test_exposures_before_any_study_are_told_with_their_cause(store: Store) -> None:
    handle(store, [exposure(1, 0.0)], fresh())
    (message,) = sent(store, RoomDayAssessed)
    assert message.causation_id is not None
    assert message.routing_key == "room_day_assessed.example-group.north"
    assert sent(store) == []


def test_any_arrival_order_ends_in_the_same_conclusion(store: Store) -> None:
    for seed in range(4):
        empty(store)
        facts = list(ALL)
        random.Random(seed).shuffle(facts)
        handler = fresh()
        for fact in facts:
            handle(store, [fact], handler)
        last = revisions(store)[-1]
        assert last.model_copy(update={"revision": 1}) == EXPECTED
        assert [one.revision for one in revisions(store)] == list(range(1, last.revision + 1))
