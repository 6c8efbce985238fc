"""What an amount rests on: images, readiness check, the tariff's rule, and the facts."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import Connection, select

from schemas.conclusions import ChargesAssessed, ImageResult, LedgerEntry, StudyAssessed
from services.console.tables import ARRIVAL

_SAID: Final[Mapping[str, str]] = {
    "exposure": "an exposure, told by the generator",
    "image": "an image, stored by the imaging station",
    "readiness": "a readiness check, confirmed by a person",
    "order": "an order of the record",
    "rejected": "a rejected image, told by a person",
    "assigned": "a view given to an image by a person",
    "excused": "a view excused by a person",
    "linked": "an image and its exposure joined by a person",
    "absent": "a tooth that a person told to be absent",
    "step": "a step of the imaging station",
    "closed": "the study closed by a person",
}


@dataclass(frozen=True, slots=True)
class FactShown:
    """A fact by its key, in words, and when it was, where the console still keeps it."""

    key: str
    words: str
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """``rule`` is the tariff's own name of it, with its reason in words."""

    rule: str | None
    tariff: str
    reason: str
    images: tuple[ImageResult, ...]
    facts: tuple[FactShown, ...]
    entry: LedgerEntry | None = None


def evidence_of(
    connection: Connection,
    site: str,
    charges: ChargesAssessed,
    study: StudyAssessed,
    posting_key: str | None,
    uids: Iterable[str] = (),
) -> Evidence:
    """Gather what one posting rests on; without its key, what these images show."""
    entry = next((one for one in charges.ledger if one.posting_key == posting_key), None)
    wanted = set(entry.images if entry is not None else ()) | set(uids)
    line = next(
        (
            one
            for one in charges.lines
            if entry is not None
            and one.code == entry.code
            and set(one.images) == set(entry.images)
            and set(one.facts) == set(entry.facts)
        ),
        None,
    )
    images = tuple(one for one in study.images if one.sop_instance_uid in wanted)
    keys = list(entry.facts) if entry is not None else []
    for image in images:
        keys += [one for one in (image.exposure_key, *image.facts) if one is not None]
    if study.readiness_fact is not None and (images or keys):
        keys.append(study.readiness_fact)
    valid = f", valid from {charges.tariff_valid_from}" if charges.tariff_valid_from else ""
    return Evidence(
        line.rule if line is not None else None,
        f"{charges.tariff}{valid}",
        entry.reason if entry is not None else "",
        images,
        facts_shown(connection, site, keys),
        entry,
    )


def facts_shown(connection: Connection, site: str, keys: Iterable[str]) -> tuple[FactShown, ...]:
    """Say what each fact is, once, in order."""
    wanted = list(dict.fromkeys(keys))
    own = ARRIVAL.c
    rows = connection.execute(
        select(own.natural_key, own.occurred_at).where(
            own.site == site, own.natural_key.in_(wanted)
        )
    )
    at = {row.natural_key: row.occurred_at for row in rows}
    return tuple(
        FactShown(key, _SAID.get(key.partition(":")[0], "a fact"), at.get(key)) for key in wanted
    )
