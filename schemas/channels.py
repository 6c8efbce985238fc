"""Who hears what: the exchanges and the queue of each worker.

The whole topology is declared by whichever service starts first, so that a message for a
worker that has never run yet waits in its queue and is not lost.
"""

from dataclasses import dataclass
from enum import StrEnum

from schemas.conclusions import CONCLUSIONS
from schemas.facts import FACTS


class Exchange(StrEnum):
    """``OFFERS`` carries facts that intake has not accepted yet, from devices on AMQP and from
    our own records worker; ``FACTS`` what intake has kept; ``CONCLUSIONS`` what follows."""

    OFFERS = "gomphosis.offers"
    FACTS = "gomphosis.facts"
    CONCLUSIONS = "gomphosis.conclusions"


@dataclass(frozen=True, slots=True)
class Subscription:
    """One worker's queue and the kinds that it hears."""

    queue: str
    kinds: tuple[tuple[Exchange, str], ...]

    def binding_keys(self) -> tuple[tuple[Exchange, str], ...]:
        """Give the topic patterns: ``<kind>.<group>.<site>``."""
        return tuple((exchange, f"{kind}.*.*") for exchange, kind in self.kinds)


def _all(exchange: Exchange, *kinds: str) -> tuple[tuple[Exchange, str], ...]:
    return tuple((exchange, kind) for kind in kinds)


_DESK_ONLY = {
    "charges_released",
    "note_amended",
    "note_signed",
    "note_addended",
    "note_released",
    "posting_answered",
    "record_lines_read",
    "charge_exception_decided",
    "charge_exception_countersigned",
}

INTAKE = Subscription("intake", _all(Exchange.OFFERS, *(fact.KIND for fact in FACTS)))
ASSESSMENT = Subscription(
    "assessment",
    _all(Exchange.FACTS, *(fact.KIND for fact in FACTS if fact.KIND not in _DESK_ONLY)),
)
CHARGES = Subscription(
    "charges",
    _all(Exchange.CONCLUSIONS, "study_assessed")
    + _all(
        Exchange.FACTS,
        "charges_released",
        "posting_answered",
        "record_lines_read",
        "charge_exception_decided",
        "charge_exception_countersigned",
    ),
)
NOTES = Subscription(
    "notes",
    _all(Exchange.CONCLUSIONS, "study_assessed")
    + _all(Exchange.FACTS, "note_amended", "note_signed", "note_addended", "posting_answered"),
)
RECORDS = Subscription(
    "records",
    _all(Exchange.CONCLUSIONS, "charges_assessed", "charges_corrected", "note_written")
    + _all(Exchange.FACTS, "charges_released", "note_released"),
)
CONSOLE = Subscription(
    "console",
    _all(Exchange.CONCLUSIONS, *(conclusion.KIND for conclusion in CONCLUSIONS))
    + _all(
        Exchange.FACTS,
        "exposure_ended",
        "image_stored",
        "readiness_checked",
        "clock_read",
        "order_placed",
        "step_performed",
        "posting_answered",
    ),
)

SUBSCRIPTIONS: tuple[Subscription, ...] = (INTAKE, ASSESSMENT, CHARGES, NOTES, RECORDS, CONSOLE)

FORWARD = Subscription("forward", _all(Exchange.FACTS, *(fact.KIND for fact in FACTS)))

NODE_SUBSCRIPTIONS: tuple[Subscription, ...] = (INTAKE, ASSESSMENT, CONSOLE, FORWARD)
"""What is heard at a site's own node: charges, notes and the record's postings are the group's
alone, or a charge would be made twice."""

OPEN_KINDS: frozenset[str] = frozenset(
    {"room_day_assessed", "note_unsigned", "codes_missing", "record_task", "day_reconciled"}
)
"""Conclusions for whoever binds a queue to them, as the console does: nobody has to. Every other
kind that no queue hears is a fault, and waits in its outbox."""

EXCHANGE_OF: dict[str, Exchange] = {fact.KIND: Exchange.FACTS for fact in FACTS} | {
    conclusion.KIND: Exchange.CONCLUSIONS for conclusion in CONCLUSIONS
}
"""Where an accepted message of a kind is published."""
