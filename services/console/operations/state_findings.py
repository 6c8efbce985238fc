"""What is wrong with disk, record, triage, certificates, backup, clocks and codes. Pure."""

from collections.abc import Iterator
from datetime import timedelta

from services.console.operations.finding import (
    CLOCK_S,
    DEVICE_CLOCK_S,
    DISK_DAYS,
    DISK_SHARE,
    RECORD_WAITS_S,
    Facts,
    Finding,
    Weight,
)
from services.console.operations.lookout import Look
from services.console.operations.spans import span
from services.runtime.triage import MOST_COUNTED


def of_surroundings(facts: Facts, look: Look) -> Iterator[Finding]:
    """Judge them, what stops the line first."""
    yield from _disk(facts, look)
    yield from _record(look)
    yield from _triage(look)
    yield from _certificates(facts)
    yield from _backup(facts, look)
    yield from _clocks(facts, look)
    yield from _codes(facts)


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
