"""What is wrong, the worst first, each with what to do next. Pure.

The bounds here are invented starting points, unless a line says otherwise.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Final

from services.console.operations.certificate_lines import CertificateLine
from services.console.operations.lookout import Look, Seen
from services.console.operations.queue_lines import QueueLine, queue_lines
from services.console.operations.spans import span
from services.console.watch import ServiceState
from services.runtime.triage import MOST_COUNTED

LONG_BEHIND: Final = timedelta(minutes=2)
"""A queue that is further behind is told."""
DISK_SHARE: Final = 0.1
DISK_DAYS: Final = 14.0
STALE: Final = timedelta(seconds=90)
CLOCK_S: Final = 5.0
DEVICE_CLOCK_S: Final = 120.0
RECORD_WAITS_S: Final = 900.0


class Weight(IntEnum):
    """How soon somebody has to act."""

    NOW = 0
    SOON = 1
    NOTE = 2

    @property
    def words(self) -> str:
        return {Weight.NOW: "act now", Weight.SOON: "look soon", Weight.NOTE: "note"}[self]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong: what, what that means, what to do next."""

    weight: Weight
    what: str
    means: str
    next: str
    address: str | None = None


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """How far a device's clock is ahead of ours."""

    site: str
    device: str
    ahead_s: float


@dataclass(frozen=True, slots=True)
class Facts:
    """All that is judged. ``disk_days``: for how long the disk lasts as it fills of late."""

    now: datetime
    seen: Seen
    certificates: Sequence[CertificateLine] = ()
    clocks: Sequence[DeviceClock] = ()
    codes_missing: int = 0
    disk_days: float | None = None
    min_free_bytes: int = 0
    backup_max_age: timedelta = timedelta(hours=26)


def findings(facts: Facts) -> list[Finding]:
    """Judge all; the worst first, in the order of cause before effect."""
    look = facts.seen.now
    if look is None:
        return []
    found = [
        *_lookout(facts, look),
        *_store(look),
        *_bus(facts, look),
        *_services(facts, look),
        *_queues(facts, look),
        *_disk(facts, look),
        *_group(look),
        *_versions(look),
        *_record(look),
        *_triage(look),
        *_certificates(facts),
        *_backup(facts, look),
        *_clocks(facts, look),
        *_codes(facts),
    ]
    return sorted(found, key=lambda one: one.weight)


def start_of(service: str) -> str:
    """Say how a service is started, and where its log is."""
    return (
        f"Start it ('docker compose up -d {service}', or 'gomphosis start') and look at its log "
        f"('docker compose logs --tail 50 {service}')."
    )


def _lookout(facts: Facts, look: Look) -> Iterator[Finding]:
    age = facts.now - look.at
    if age > STALE:
        yield Finding(
            Weight.NOW,
            f"This page has seen nothing new for {span(age)}",
            "What it shows is old: the console's own look-out stands still.",
            start_of("console").replace("Start it", "Restart the console"),
        )


def _store(look: Look) -> Iterator[Finding]:
    if look.store_trouble is not None:
        yield Finding(
            Weight.NOW,
            "The database does not answer",
            "Devices are told to send again later; nothing that was taken in is lost.",
            "Start the database, look at its log and its disk. All goes on by itself.",
        )


def _bus(facts: Facts, look: Look) -> Iterator[Finding]:
    if look.bus_answers is not False:
        return
    since = facts.seen.bus_away_since or look.at
    unsent = sum(queue.unsent for queue in look.queues)
    yield Finding(
        Weight.NOW,
        f"The message broker has not answered for {span(facts.now - since)}",
        f"What devices send is still taken in: {unsent:,} messages wait in the outboxes, and "
        "nothing is concluded until it is back.",
        "Start the broker ('docker compose up -d rabbitmq'), look at its log and its disk. All "
        "that waits goes out by itself.",
    )


def _services(facts: Facts, look: Look) -> Iterator[Finding]:
    lines = {line.state.queue: line for line in queue_lines(facts.seen.looks)}
    for one in look.services:
        if not one.alive:
            since = facts.seen.service_away_since.get(one.service, look.at)
            yield Finding(
                Weight.NOW,
                f"The {one.service} service has not answered for {span(facts.now - since)}",
                _queue_words(lines.get(one.service)),
                start_of(one.service),
            )
        elif not one.ready:
            yield _not_ready(one, look)


def _queue_words(line: QueueLine | None) -> str:
    if line is None or line.state.waiting is None:
        return "What is meant for it waits and is not lost."
    if not line.state.waiting:
        return "Nothing waits for it yet; what comes is kept for it."
    behind = f", the oldest for {span(line.behind)}" if line.behind else ""
    grows = ", growing" if line.grows else ""
    return (
        f"Queue {line.state.queue}: {line.state.waiting:,} waiting{behind}{grows}. Nothing is lost."
    )


def _not_ready(one: ServiceState, look: Look) -> Finding:
    parts = [name for name, good in one.parts.items() if not good]
    means = f"It runs, but these parts of it do not work yet: {', '.join(parts)}."
    if look.bus_answers is False and parts == ["worker"]:
        return Finding(
            Weight.SOON, f"The {one.service} service waits for the broker", means, "Start that."
        )
    return Finding(
        Weight.NOW,
        f"The {one.service} service is not ready",
        means,
        f"Wait a minute. If it stays, look at its log ('docker compose logs --tail 50 "
        f"{one.service}').",
    )


def _queues(facts: Facts, look: Look) -> Iterator[Finding]:
    alive = {one.service for one in look.services if one.alive}
    for line in queue_lines(facts.seen.looks):
        state = line.state
        if state.dead:
            yield Finding(
                Weight.SOON,
                f"Queue {state.queue}: {state.dead:,} messages were given up by the broker",
                "Their worker ended several times while it had them.",
                f"They go to the triage once the {state.queue} service runs. Look at its log.",
            )
        behind = line.behind or timedelta()
        if state.queue in alive and behind > LONG_BEHIND and (line.grows or line.stands):
            doing = "nothing is handled" if line.stands else "more comes than is handled"
            yield Finding(
                Weight.NOW,
                f"Queue {state.queue}: {state.waiting:,} waiting, about {span(behind)} behind",
                f"The {state.queue} service answers, but {doing}"
                + (" and the queue grows." if line.grows else "."),
                f"Look at the log of {state.queue} for what it waits for; where it only has too "
                "much to do, start a second one beside it.",
            )
        oldest = state.oldest_unsent_at
        if look.bus_answers and oldest is not None and facts.now - oldest > LONG_BEHIND:
            yield Finding(
                Weight.NOW,
                f"Outbox of {state.queue}: {state.unsent:,} messages, the oldest for "
                f"{span(facts.now - oldest)}",
                "The broker answers, but they do not go out.",
                start_of(state.queue),
            )


def _disk(facts: Facts, look: Look) -> Iterator[Finding]:
    if look.room is None:
        return
    free, whole = look.room.disk_free_bytes, look.room.disk_bytes
    words = f"{free / 1e9:,.1f} of {whole / 1e9:,.0f} GB free"
    more = "Make room or add a disk; images are never deleted by this system."
    if free < facts.min_free_bytes:
        yield Finding(
            Weight.NOW,
            f"The disk is full: {words}",
            "Stations are told that there is no room, and keep their images.",
            more,
        )
    elif facts.disk_days is not None and facts.disk_days < DISK_DAYS:
        yield Finding(
            Weight.SOON,
            f"The disk is full in about {facts.disk_days:.0f} days: {words}",
            "By what was stored in the last two weeks.",
            more,
        )
    elif free < whole * DISK_SHARE:
        yield Finding(Weight.SOON, f"The disk gets full: {words}", "Less than a tenth.", more)


def _group(look: Look) -> Iterator[Finding]:
    refused = {
        one.service: str(one.group["refused"]) for one in look.services if one.group.get("refused")
    }
    if refused:
        yield Finding(
            Weight.NOW,
            f"The new group.yaml is refused by: {', '.join(sorted(refused))}",
            f"{next(iter(refused.values()))}. The group of before is still in force there; a "
            "service that is started now would not start.",
            "Correct the file, or put the version of before back from group-versions.",
        )
        return
    known = {one.group["sha256"] for one in look.services if one.group.get("sha256")}
    if len(known) > 1:
        yield Finding(
            Weight.NOTE,
            "Not all services have the same group.yaml in force",
            "Each takes it up within some seconds.",
            "If it stays for minutes, see whether they all read the same folder "
            "(GOMPHOSIS_GROUP_DIR).",
        )


def _versions(look: Look) -> Iterator[Finding]:
    told: dict[str, list[str]] = {}
    for one in look.services:
        if one.version is not None:
            told.setdefault(one.version, []).append(one.service)
    if len(told) > 1:
        words = "; ".join(f"{version}: {', '.join(names)}" for version, names in told.items())
        yield Finding(
            Weight.SOON,
            "The services are of different versions",
            f"{words}.",
            "Finish the update: bring all services to one version.",
        )


def _record(look: Look) -> Iterator[Finding]:
    records = next((one for one in look.services if one.service == "records" and one.alive), None)
    if records is None:
        return
    told = records.counters
    waits = f"{told.get('gomphosis_postings_waiting', 0):,.0f} postings wait"
    oldest_s = told.get("gomphosis_postings_oldest_seconds", 0.0)
    if told.get("gomphosis_record_needs_person"):
        yield Finding(
            Weight.NOW,
            "The patient record lets us in no more: TLS or credentials",
            f"{waits}, and none is lost; they go out by themselves once it is mended.",
            "Run 'gomphosis record-tasks': it says which certificate or secret, and what to do.",
        )
    elif told.get("gomphosis_record_breaker_open"):
        yield Finding(
            Weight.SOON,
            "The patient record does not answer and is spared for a while",
            f"{waits}. It is tried again by itself, seldom at first.",
            "See whether the record runs, and whether the network to it is up.",
        )
    elif oldest_s > RECORD_WAITS_S:
        yield Finding(
            Weight.SOON,
            f"The oldest posting has waited for {span(timedelta(seconds=oldest_s))}",
            f"{waits} for the patient record.",
            "Look at the checks: what does the record say? Then at the log of records.",
        )


def _triage(look: Look) -> Iterator[Finding]:
    if look.triage_open:
        at_least = "at least " if look.triage_open >= MOST_COUNTED else ""
        yield Finding(
            Weight.SOON,
            f"Triage: {at_least}{look.triage_open:,} inputs could not be used",
            "Each is kept with the reason until a person settles it.",
            "Open the triage and begin with the most frequent reason.",
            "/operations/triage",
        )


def _certificates(facts: Facts) -> Iterator[Finding]:
    for line in facts.certificates:
        if line.good:
            continue
        weight = Weight.NOW if line.until is None or line.until <= facts.now else Weight.SOON
        yield Finding(
            weight,
            f"Certificate {line.setting} of {line.service}",
            f"{line.words}.",
            "A renewed file in the same place is taken up for new connections; restart the "
            "service if it is not.",
        )


def _backup(facts: Facts, look: Look) -> Iterator[Finding]:
    set_it = "Let the job that makes your backups end with 'touch <file>', and name that file"
    if look.backup is None:
        yield Finding(
            Weight.NOTE,
            "Nobody tells whether backups are made",
            "The database and the images want a backup; no file that says so is set.",
            f"{set_it} in GOMPHOSIS_CONSOLE__BACKUP_MARK.",
        )
    elif look.backup.made_at is None:
        yield Finding(
            Weight.NOW,
            "There is no sign of any backup",
            f"{look.backup.file} is not there.",
            f"See whether the backup job runs. {set_it}.",
        )
    elif facts.now - look.backup.made_at > facts.backup_max_age:
        yield Finding(
            Weight.NOW,
            f"The last backup is {span(facts.now - look.backup.made_at)} old",
            f"At most {span(facts.backup_max_age)} is set.",
            "Look at the log of the backup job and at the room where backups go.",
        )


def _clocks(facts: Facts, look: Look) -> Iterator[Finding]:
    for one in look.services:
        if one.clock_ahead_s is not None and abs(one.clock_ahead_s) > CLOCK_S:
            yield Finding(
                Weight.SOON,
                f"The clock of {one.service} is {abs(one.clock_ahead_s):.0f} s off",
                "Compared with the console's.",
                "Set all machines by the same time server.",
            )
    for clock in facts.clocks:
        if abs(clock.ahead_s) > DEVICE_CLOCK_S:
            way = "ahead of" if clock.ahead_s > 0 else "behind"
            yield Finding(
                Weight.NOTE,
                f"The clock of {clock.device} at {clock.site} is "
                f"{span(timedelta(seconds=abs(clock.ahead_s)))} {way} ours",
                "Exposures and images are still joined: the difference is reckoned with.",
                "Set the device's clock when it is idle.",
            )


def _codes(facts: Facts) -> Iterator[Finding]:
    if facts.codes_missing:
        yield Finding(
            Weight.SOON,
            f"Postings that wait for a code of the record: {facts.codes_missing:,}",
            "The record's code for one of ours is missing in the codes file.",
            "Add the lines that stand below under 'Mappings missing'; no restart is needed.",
        )
