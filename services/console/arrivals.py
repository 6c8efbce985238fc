"""What a device or person just told, before anything is concluded from it. Pure."""

from datetime import timedelta
from typing import Any

from schemas.envelope import Message, Payload
from schemas.facts import ClockRead, ExposureEnded, ImageStored, ReadinessChecked
from schemas.group import Site

Row = dict[str, Any]
ARRIVALS = (ExposureEnded, ImageStored, ReadinessChecked)


def arrival_row(message: Message[Payload], site: Site) -> Row | None:
    """Make the row of ``tables.ARRIVAL``; None of a message that no page needs at once.

    The day is the site's own, of the moment that the fact is about.
    """
    fact = message.payload
    room: str | None = None
    study: str | None = None
    if isinstance(fact, ExposureEnded):
        room, study, moment = fact.room, fact.study_instance_uid, message.occurred_at
    elif isinstance(fact, ImageStored):
        room, study, moment = fact.room, fact.study_instance_uid, fact.acquired_at
    elif isinstance(fact, ReadinessChecked):
        study, moment = fact.study_instance_uid, message.occurred_at
    else:
        return None
    return {
        "site": message.site,
        "natural_key": message.natural_key,
        "kind": message.kind,
        "room": room,
        "study_instance_uid": study,
        "day": moment.astimezone(site.zone).date(),
        "occurred_at": moment,
        "received_at": message.received_at,
        "told": fact.model_dump_json(exclude_none=True),
    }


def clock_ahead_s(message: Message[Payload], fact: ClockRead) -> float:
    """Give how far a device's clock was ahead of ours when it was read, in seconds."""
    return (fact.device_time - message.occurred_at) / timedelta(seconds=1)
