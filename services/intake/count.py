"""What intake counts of the facts that it kept."""

from collections.abc import Sequence

from schemas.envelope import Message, Payload
from services.intake.accept import Accepted, AlreadyKnown, Outcome
from services.runtime.metrics import FACTS_KEPT


def count_outcomes(messages: Sequence[Message[Payload]], outcomes: Sequence[Outcome]) -> None:
    """Count facts by kind and outcome."""
    for message, outcome in zip(messages, outcomes, strict=True):
        FACTS_KEPT.labels(message.kind, word_of(outcome)).inc()


def word_of(outcome: Outcome) -> str:
    """Name an outcome: ``accepted``, ``already_known`` or ``conflict``."""
    if isinstance(outcome, Accepted):
        return "accepted"
    return "already_known" if isinstance(outcome, AlreadyKnown) else "conflict"
