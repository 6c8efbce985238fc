"""Which bus a URL means."""

from pathlib import Path

from services.runtime.bus import Bus, BusError, BusLimits

EMBEDDED = "embedded:"


def open_bus(url: str, limits: BusLimits, name: str) -> Bus:
    """Open the bus of a URL: ``embedded:<file>``, ``amqp://…`` or ``amqps://…``.

    Raises BusError for any other.
    """
    if url.startswith(EMBEDDED):
        from services.runtime.bus_embedded import EmbeddedBus

        return EmbeddedBus(Path(url.removeprefix(EMBEDDED)), limits)
    if url.startswith(("amqp://", "amqps://")):
        from services.runtime.bus_amqp import AmqpBus

        return AmqpBus(url, limits, name)
    raise BusError("bus URL: expected embedded:<file>, amqp://… or amqps://…")
