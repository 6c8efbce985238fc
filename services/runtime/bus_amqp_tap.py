"""The deliveries of one channel, and the answers to them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from services.runtime.bus import Delivery


@dataclass(frozen=True, slots=True)
class Held:
    """A delivery with what it takes to answer it."""

    tap: "Tap"
    tag: int
    delivery: Delivery

    @property
    def dead(self) -> bool:
        """Whether it comes from the queue of the dead."""
        return self.delivery.dead_reason is not None


class Tap:
    """One channel's deliveries. A lost channel's are never answered: they come again."""

    def __init__(self, channel: Any) -> None:
        self.channel = channel
        self.open = True
        self.main_tag = ""
        self.careful = True
        self.widening = False
        self.outstanding: dict[int, None] = {}

    def settle(self, tags: Sequence[int]) -> None:
        """Acknowledge; a run from the oldest on needs only one word to the broker."""
        if not self.open or not self.channel.is_open:
            return
        done = set(tags)
        last = 0
        while self.outstanding:
            first = next(iter(self.outstanding))
            if first not in done:
                break
            del self.outstanding[first]
            done.discard(first)
            last = first
        if last:
            self.channel.basic_ack(last, multiple=True)
        for tag in sorted(done & self.outstanding.keys()):
            del self.outstanding[tag]
            self.channel.basic_ack(tag)
