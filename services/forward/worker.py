"""Each fact that was kept here takes its place in one of two lines: facts, and images.

Two, because a large image on a slow line must not hold up an exposure.
"""

from collections.abc import Sequence
from typing import Final

from schemas.envelope import Message, Payload
from schemas.facts import DocumentStored, ImageStored
from services.runtime import outbox
from services.runtime.worker import Work

FACTS_LINE: Final = "forward-facts"
IMAGES_LINE: Final = "forward-images"


def line_up(work: Work, messages: Sequence[Message[Payload]]) -> None:
    """Put messages into the outbox of their line, in this transaction."""
    for message in messages:
        with_file = isinstance(message.payload, ImageStored | DocumentStored)
        outbox.put(work.connection, IMAGES_LINE if with_file else FACTS_LINE, [message])
