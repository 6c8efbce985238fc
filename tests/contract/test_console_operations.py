"""What operations reads of the read model, the queues and the services."""

from datetime import timedelta
from pathlib import Path

from schemas.channels import SUBSCRIPTIONS, Exchange
from schemas.facts import PostingOutcome
from services.console import (
    views_operations,
    watch,
)
from services.console.upkeep import KEEP, Upkeep
from services.runtime import inbox, outbox
from services.runtime.bus import BusLimits, Outgoing
from services.runtime.bus_choice import open_bus
from services.runtime.health import HealthServer
from services.runtime.settings import HealthSettings
from services.runtime.store import Store
from tests.assessed import START, STUDY
from tests.console_told import (
    DAY,
    OTHER,
    a_day,
    answered,
    codes_missing,
    exposure_told,
    hear,
    image_told,
    rows_of,
    study,
    told,
)


def test_devices_tell_their_last_contact_and_how_their_clocks_stand(store: Store) -> None:
    hear(store, a_day())

    with store.read() as connection:
        found = {one.device: one for one in views_operations.devices(connection, "north")}
        (stand,) = views_operations.clock_stands(connection, "north", ["dental-1"])

    assert found["generator-1"].clock_ahead_s == 13.5
    assert found["station-1"].last_contact_at is not None
    assert (stand.room, stand.stand.ahead_s, stand.stand.drift_ppm) == ("dental-1", 64.0, 20.0)


def test_storage_grows_by_what_was_stored(store: Store) -> None:
    hear(store, [image_told(1), image_told(2)])

    with store.read() as connection:
        (day,) = views_operations.storage_by_day(connection, DAY, DAY)

    assert (day.day, day.images, day.bytes) == (DAY, 2, 4_400_000)


def test_open_questions_of_all_sites_are_listed_oldest_first(store: Store) -> None:
    hear(store, [told(study(1)), told(study(1, OTHER, day=DAY - timedelta(days=1)))])

    with store.read() as connection:
        found = views_operations.open_questions(connection, None)

    assert [one.study_instance_uid for one in found.rows] == [OTHER, STUDY]


def test_a_posting_without_a_code_is_listed_until_it_is_answered(store: Store) -> None:
    late = [told(codes_missing(f"charge:2.25.1001:{number}"), minute=5) for number in (1, 2)]
    hear(store, [answered("charge:2.25.1001:1", PostingOutcome.REJECTED, 4)])
    hear(store, [answered("charge:2.25.1001:2", PostingOutcome.ACCEPTED, 6)])
    hear(store, late)
    with store.read() as connection:
        (one,) = views_operations.missing_codes(connection, ["north"]).rows
    assert one.told.posting_key == "charge:2.25.1001:1"
    assert one.since == late[0].occurred_at

    hear(store, [answered("charge:2.25.1001:1", PostingOutcome.ACCEPTED, 7)])
    with store.read() as connection:
        assert views_operations.missing_codes(connection, None).rows == ()


def test_queues_tell_what_waits_and_what_was_handled(store: Store, tmp_path: Path) -> None:
    bus = open_bus(f"embedded:{tmp_path / 'bus.sqlite'}", BusLimits(), "test")
    bus.declare(SUBSCRIPTIONS)
    given = told(study(1))
    bus.publish([Outgoing(Exchange.CONCLUSIONS, given.routing_key, str(given.id), given.encode())])
    with store.begin() as connection:
        outbox.put(connection, "notes", [given, told(study(2))])
        inbox.take(connection, "records", ["1", "2", "3", "4", "5"])

    with store.read() as connection:
        found = {one.queue: one for one in watch.queue_states(watch.depths(bus), connection)}
    bus.close()

    assert (found["console"].waiting, found["charges"].waiting, found["intake"].waiting) == (
        1,
        1,
        0,
    )
    assert found["notes"].unsent == 2
    assert found["notes"].oldest_unsent_at is not None
    assert found["records"].handled_a_minute == 1.0


def test_a_service_tells_its_readiness_and_one_that_is_away_why_it_says_nothing() -> None:
    health = HealthServer(
        HealthSettings(), 0, healthy=lambda: {"worker": True}, ready=lambda: {"worker": False}
    )
    health.start()
    urls = {"charges": f"http://127.0.0.1:{health.port}", "notes": "http://127.0.0.1:1"}
    charges_now, notes_now = watch.services(urls)
    health.stop()

    assert (charges_now.ready, charges_now.parts) == (False, {"worker": False})
    assert charges_now.counters["gomphosis_record_breaker_open"] == 0.0
    assert charges_now.trouble is None
    assert not notes_now.ready
    assert notes_now.trouble is not None


def test_the_store_and_the_disk_have_a_size(store: Store, tmp_path: Path) -> None:
    with store.read() as connection:
        found = watch.room(connection, tmp_path / "images" / "not-there-yet")

    assert found.store_bytes > 0
    assert 0 < found.disk_free_bytes <= found.disk_bytes


def test_what_came_long_ago_is_forgotten_and_what_came_of_late_is_kept(store: Store) -> None:
    hear(store, [exposure_told(1), image_told(2), told(study(1))])
    before = rows_of(store)

    assert Upkeep(store).forget(START + KEEP - timedelta(hours=1)) == 0
    assert Upkeep(store).forget(START + KEEP + timedelta(hours=1)) == 2
    assert rows_of(store) == before | {"console_arrival": []}
