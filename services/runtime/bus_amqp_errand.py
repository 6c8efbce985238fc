"""One question to the broker on a channel of its own, with the caller waiting for the answer."""

from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import Any

from services.runtime.bus import BusError, BusUnavailable
from services.runtime.bus_amqp_errors import QueueDiffers, address_of, settings_differ, words_of
from services.runtime.bus_amqp_link import Link, open_channel

Answer = Callable[[Any], None]
Work = Callable[[Any, Answer], None]


class Errand:
    """Opens a channel, has ``work`` ask on it, closes it again.

    Parameters
    ----------
    link
        The connection to use.
    work
        Called in the I/O thread with the channel and with what takes the answer.
    """

    def __init__(self, link: Link, work: Work) -> None:
        self._link = link
        self._work = work
        self._result: Future[Any] = Future()

    def run(self, timeout_s: float) -> Any:
        """Ask, and return the answer; from any thread but the I/O thread.

        Raises
        ------
        BusUnavailable
            Not connected, refused, or no answer in time.
        QueueDiffers
            A queue of that name has other settings.
        """
        if not self._link.io.post(partial(self._link.attach, self)):
            raise BusUnavailable("the bus was closed: open a new one")
        try:
            return self._result.result(timeout_s)
        except TimeoutError as error:
            where = address_of(self._link.parameters)
            raise BusUnavailable(
                f"RabbitMQ at {where} gave no answer in {timeout_s:g} s: check that it is well"
            ) from error
        finally:
            self._link.io.post(partial(self._link.detach, self))

    def up(self, connection: Any) -> None:
        """Open the channel."""
        open_channel(connection, self._on_channel, self._on_closed)

    def down(self, reason: str) -> None:
        """Give up: the caller decides whether to ask again."""
        self._fail(BusUnavailable(reason))

    def _on_channel(self, channel: Any) -> None:
        self._work(channel, partial(self._answer, channel))

    def _answer(self, channel: Any, value: Any) -> None:
        if not self._result.done():
            self._result.set_result(value)
        if channel.is_open:
            channel.close()

    def _on_closed(self, channel: Any, error: BaseException) -> None:
        if not channel.connection.is_open:
            return  # ``down`` tells the reason
        where = address_of(self._link.parameters)
        if settings_differ(error):
            self._fail(QueueDiffers(where, words_of(error)))
        else:
            self._fail(BusUnavailable(f"RabbitMQ at {where} refused: {words_of(error)}"))

    def _fail(self, error: BusError) -> None:
        if not self._result.done():
            self._result.set_exception(error)
