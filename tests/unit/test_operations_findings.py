"""What is wrong comes first, in plain words with the next action; all good is said as such."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from services.console.operations.certificate_lines import certificate_lines
from services.console.operations.finding import DeviceClock, Facts, Weight
from services.console.operations.findings import findings
from services.console.operations.lookout import Backup, Look, Seen
from services.console.operations.queue_lines import queue_lines
from services.console.operations.spans import span
from services.console.operations.sparks import spark
from services.console.watch import QueueState, Room, ServiceState

NOW = datetime(2026, 3, 2, 2, 0, tzinfo=UTC)
SERVICES = ("assessment", "charges", "console", "intake", "notes", "records")
ROOM = Room(10**9, 500 * 10**9, 1_000 * 10**9)


def service(name: str, **values: Any) -> ServiceState:
    about = {"version": "0.1.0", "group": {"sha256": "a" * 64, "refused": None}}
    return ServiceState(name, True, {"worker": True}, about=about, **values)


def queue(name: str, waiting: int | None = 0, handled: float = 0.0, **values: Any) -> QueueState:
    told: dict[str, Any] = {"unsent": 0, "oldest_unsent_at": None} | values
    return QueueState(name, waiting, handled_a_minute=handled, **told)


def look(at: datetime = NOW, **values: Any) -> Look:
    parts: dict[str, Any] = {
        "services": tuple(service(name) for name in SERVICES),
        "queues": tuple(queue(name) for name in SERVICES),
        "triage_open": 0,
        "room": ROOM,
        "backup": Backup(Path("/backup"), NOW - timedelta(hours=3)),
    }
    return Look(at, **(parts | values))


def facts(*looks: Look, away: dict[str, datetime] | None = None, **values: Any) -> Facts:
    return Facts(NOW, Seen(looks or (look(),), away or {}, values.pop("bus_away", None)), **values)


def growing(handled: float) -> list[Look]:
    """A queue of charges that grew to 1,240 in 14 minutes."""
    return [
        look(
            NOW - timedelta(minutes=14 - minute),
            queues=(queue("charges", round(1_240 * (minute + 1) / 15), handled),),
        )
        for minute in range(15)
    ]


def test_where_all_is_good_nothing_is_found() -> None:
    assert findings(facts()) == []


def test_a_service_that_is_away_comes_first_with_its_queue_and_how_it_is_started() -> None:
    dead = replace(service("charges"), trouble="no answer", ready=False)
    looks = growing(handled=0.0)
    looks[-1] = replace(looks[-1], services=(dead, service("notes")), triage_open=3)

    first, second = findings(facts(*looks, away={"charges": NOW - timedelta(minutes=10)}))

    assert first.weight is Weight.NOW
    assert first.what == "The charges service has not answered for 10 min"
    assert first.means == (
        "Queue charges: 1,240 waiting, the oldest for 14 min, growing. Nothing is lost."
    )
    assert "docker compose up -d charges" in first.next
    assert "logs --tail 50 charges" in first.next
    assert second.what == "Triage: 3 inputs could not be used"


def test_a_service_that_answers_and_falls_behind_is_told_from_one_that_stands() -> None:
    (slow,) = findings(facts(*growing(handled=62.0)))
    (stands,) = findings(facts(*growing(handled=0.0)))

    assert slow.what == "Queue charges: 1,240 waiting, about 20 min behind"
    assert "more comes than is handled" in slow.means
    assert stands.what == "Queue charges: 1,240 waiting, about 14 min behind"
    assert "nothing is handled" in stands.means


def test_a_broker_that_is_away_is_told_with_what_waits_in_the_outboxes() -> None:
    queues = tuple(queue(name, None, unsent=7) for name in SERVICES)
    waits = replace(service("notes"), ready=False, parts={"worker": False, "relay": True})

    first, *others = findings(
        facts(
            look(queues=queues, services=(waits, service("intake"))),
            bus_away=NOW - timedelta(seconds=40),
        )
    )

    assert first.what == "The message broker has not answered for 40 s"
    assert "42 messages wait in the outboxes" in first.means
    assert [one.what for one in others] == ["The notes service waits for the broker"]


@pytest.mark.parametrize(
    ("values", "weight", "told"),
    [
        ({"store_trouble": "gone", "queues": (), "room": None}, Weight.NOW, "database"),
        ({"triage_open": 100_000}, Weight.SOON, "at least 100,000"),
        ({"room": Room(1, 5 * 10**9, 1_000 * 10**9)}, Weight.SOON, "The disk gets full"),
        ({"room": Room(1, 10**8, 10**12)}, Weight.NOW, "The disk is full: 0.1 of 1,000 GB"),
        ({"backup": None}, Weight.NOTE, "Nobody tells whether backups are made"),
        ({"backup": Backup(Path("/b"), None)}, Weight.NOW, "no sign of any backup"),
        (
            {"backup": Backup(Path("/b"), NOW - timedelta(days=4))},
            Weight.NOW,
            "The last backup is 4 days old",
        ),
        (
            {"services": (replace(service("notes"), ready=False, parts={"http": False}),)},
            Weight.NOW,
            "The notes service is not ready",
        ),
        (
            {"services": (service("records", counters={"gomphosis_record_breaker_open": 1.0}),)},
            Weight.SOON,
            "The patient record does not answer and is spared",
        ),
        (
            {"services": (service("records", counters={"gomphosis_record_needs_person": 1.0}),)},
            Weight.NOW,
            "TLS or credentials",
        ),
        ({"services": (service("notes", clock_ahead_s=-9.0),)}, Weight.SOON, "notes is 9 s off"),
        ({"queues": (queue("notes", 0, dead=2),)}, Weight.SOON, "2 messages were given up"),
        (
            {"queues": (queue("notes", 0, unsent=5, oldest_unsent_at=NOW - timedelta(hours=2)),)},
            Weight.NOW,
            "Outbox of notes: 5 messages, the oldest for 2 h",
        ),
    ],
)
def test_each_trouble_is_told_with_its_weight_and_a_next_action(
    values: dict[str, Any], weight: Weight, told: str
) -> None:
    (found,) = findings(facts(look(**values), min_free_bytes=2 * 10**8))

    assert found.weight is weight
    assert told in found.what
    assert found.next.endswith((".", ")"))


def test_a_refused_group_names_who_refuses_and_why() -> None:
    bad = replace(service("charges"), about={"group": {"sha256": "b", "refused": "tariff: none"}})

    (found,) = findings(facts(look(services=(bad, service("notes")))))

    assert found.what == "The new group.yaml is refused by: charges"
    assert found.means.startswith("tariff: none.")


def test_different_versions_and_different_groups_are_told() -> None:
    about = {"version": "0.2.0", "group": {"sha256": "b" * 64, "refused": None}}
    other = replace(service("charges"), about=about)

    found = findings(facts(look(services=(other, service("notes")))))

    assert [one.what for one in found] == [
        "The services are of different versions",
        "Not all services have the same group.yaml in force",
    ]


def test_an_expired_certificate_outranks_one_that_ends_soon() -> None:
    def told(setting: str, days: int) -> dict[str, Any]:
        until = NOW + timedelta(days=days)
        return {"setting": setting, "until": until.isoformat(), "trouble": None}

    certificates = [
        told("intake.tls_certificate", 12),
        told("intake.tls_ca", 400),
        told("records.options.ca_file", -3),
    ]
    both = [
        replace(service(name), about={"certificates": certificates}) for name in ("intake", "notes")
    ]

    lines = certificate_lines(both, NOW)
    found = findings(facts(certificates=lines))

    assert len(lines) == 3
    assert [(one.weight, one.what) for one in found] == [
        (Weight.NOW, "Certificate records.options.ca_file of intake"),
        (Weight.SOON, "Certificate intake.tls_certificate of intake"),
    ]
    assert "12 days only" in found[1].means


def test_what_is_old_clocks_codes_and_a_filling_disk_are_told() -> None:
    found = findings(
        facts(
            look(NOW - timedelta(minutes=5)),
            clocks=[DeviceClock("north", "station-1", -300.0)],
            codes_missing=2,
            disk_days=6.0,
        )
    )

    assert [one.what.split(":")[0] for one in found] == [
        "This page has seen nothing new for 5 min",
        "The disk is full in about 6 days",
        "Postings that wait for a code of the record",
        "The clock of station-1 at north is 5 min behind ours",
    ]


def test_a_queue_that_has_just_begun_to_wait_has_no_trend_yet() -> None:
    (line,) = queue_lines([look(queues=(queue("notes", 4, 8.0),))])

    assert (line.more, line.grows, line.stands) == (None, False, False)
    assert line.behind == timedelta(seconds=30)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (89, "89 s"), (90, "2 min"), (5_400, "2 h"), (172_800, "2 days")],
)
def test_a_length_is_said_in_one_unit(seconds: int, words: str) -> None:
    assert span(timedelta(seconds=seconds)) == words


@pytest.mark.parametrize(
    ("values", "pieces"),
    [
        ([], 0),
        ([None], 0),
        ([3.0], 1),
        ([0.0, None, 5.0, 10.0], 2),
    ],
)
def test_a_small_line_has_gaps_where_nothing_was_known(
    values: Sequence[float | None], pieces: int
) -> None:
    drawn = spark(values, "waiting")

    assert len(drawn.pieces) == pieces
    if values and values[-1] == 10.0:
        assert drawn.pieces[-1] == "79.3,14.0 118.0,2.0"
        assert drawn.words == "waiting: lowest 0, highest 10, now 10"
