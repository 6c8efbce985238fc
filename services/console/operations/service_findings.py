"""What is wrong with services, broker and queues. Pure."""

from collections.abc import Iterator
from datetime import timedelta

from services.console.operations.finding import (
    LONG_BEHIND,
    STALE,
    Facts,
    Finding,
    Weight,
    start_of,
)
from services.console.operations.lookout import Look
from services.console.operations.queue_lines import QueueLine, queue_lines
from services.console.operations.spans import span
from services.console.watch import ServiceState


def of_services(facts: Facts, look: Look) -> Iterator[Finding]:
    """Judge them, cause before effect."""
    yield from _lookout(facts, look)
    yield from _store(look)
    yield from _bus(facts, look)
    yield from _services(facts, look)
    yield from _queues(facts, look)
    yield from _group(look)
    yield from _versions(look)


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
