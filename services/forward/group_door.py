"""The group's intake, as the place to which kept facts are brought over HTTP.

A batch whose answer was lost is sent again whole: the group knows each fact by its natural key.
"""

import ssl
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import httpx
import structlog

from services.runtime.bus import BusUnavailable, Outgoing
from services.runtime.settings import ForwardSettings, SettingsError

log = structlog.get_logger(__name__)

MOST_FACTS: Final = 200
MOST_BYTES: Final = 900_000
"""Of one body, unless a single fact is larger. Invented; below what the group's intake takes."""

_OUTCOMES: Final = frozenset({"accepted", "already_known", "rejected"})


class GroupDoor:
    """Publishes to ``POST /forwarded`` of the group's intake. Raises SettingsError."""

    def __init__(self, settings: ForwardSettings) -> None:
        self._url = f"{settings.url.rstrip('/')}/forwarded"
        self._client = httpx.Client(
            verify=_trusted(settings.ca_file),
            timeout=settings.timeout_s,
            trust_env=False,
            headers={
                "Authorization": f"Bearer {settings.token.get_secret_value()}",
                "Content-Type": "application/json",
            },
        )

    def publish(self, messages: Sequence[Outgoing]) -> None:
        """Send all in order; return once the group has each, or a person there has to see to it.

        Raises BusUnavailable: some may have arrived, and all are sent again.
        """
        for batch in batches(messages):
            self._send(batch)

    def reach(self) -> str:
        """Send nothing, and tell where the group was reached. Raises BusUnavailable."""
        self._send(())
        return f"the group reached at {self._url}"

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()

    def _send(self, batch: Sequence[Outgoing]) -> None:
        try:
            answer = self._client.post(self._url, content=_list_of(batch))
        except httpx.HTTPError as error:
            raise BusUnavailable(f"the group at {self._url}: {error}") from error
        if answer.status_code not in (200, 207):
            raise BusUnavailable(
                f"the group at {self._url} answers {answer.status_code}: expected 200 or 207; look"
                " at forward: in the settings, and at this node in the group's group.yaml"
            )
        for message, outcome in zip(batch, self._outcomes(answer, len(batch)), strict=True):
            if outcome["outcome"] == "rejected":
                # It lies in the group's triage, and here as a kept fact.
                log.warning(
                    "fact_refused_by_group",
                    message_id=message.message_id,
                    field=outcome.get("field"),
                    expected=outcome.get("expected"),
                )

    def _outcomes(self, answer: httpx.Response, wanted: int) -> list[dict[str, Any]]:
        """Read one outcome for each fact; whoever else answers 200 on the way has kept nothing."""
        try:
            told = answer.json()
        except ValueError:
            told = None
        if (
            not isinstance(told, list)
            or len(told) != wanted
            or not all(isinstance(one, dict) and one.get("outcome") in _OUTCOMES for one in told)
        ):
            raise BusUnavailable(
                f"{self._url} gave no outcome for each of {wanted} facts: expected the group's"
                " intake there; is a proxy between?"
            )
        return told


def batches(messages: Sequence[Outgoing]) -> Iterator[Sequence[Outgoing]]:
    """Part messages, in order, into bodies that intake takes."""
    batch: list[Outgoing] = []
    size = 0
    for message in messages:
        if batch and (len(batch) == MOST_FACTS or size + len(message.body) > MOST_BYTES):
            yield batch
            batch, size = [], 0
        batch.append(message)
        size += len(message.body) + 1
    if batch:
        yield batch


def _trusted(ca_file: Path | None) -> ssl.SSLContext | bool:
    if ca_file is None:
        return True
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:  # ssl.SSLError is one
        raise SettingsError(
            f"setting GOMPHOSIS_FORWARD__CA_FILE: expected a PEM file at {ca_file} ({error})"
        ) from error


def _list_of(batch: Sequence[Outgoing]) -> bytes:
    return b"[" + b",".join(message.body for message in batch) + b"]"
