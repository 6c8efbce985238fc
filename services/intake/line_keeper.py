"""Lines of one device's file, kept: facts, refused lines and the place, in one transaction."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import BinaryIO

import structlog
from sqlalchemy import Connection

from schemas.envelope import Message, Payload, new_id
from schemas.errors import InvalidInput
from schemas.facts import FACTS
from schemas.group import Device, Site
from schemas.mappings import DeviceMapping
from services.intake import tail_store
from services.intake.accept import Outcome, accept, check_natural_key
from services.intake.count import count_outcomes
from services.intake.device_cells import HeaderUnfit
from services.intake.device_lines import Draft, Header, LineRefused, Told, read_line
from services.intake.line_source import Line, fingerprint, lines_from, shown
from services.intake.permissions import source_of
from services.intake.tail_store import Place, Watched
from services.runtime import triage
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_LINES_AT_ONCE = 500
_MOST_SAID = 100
_VERSION = {fact.KIND: fact.VERSION for fact in FACTS}


@dataclass(slots=True)
class Batch:
    """What a run of lines came to."""

    messages: list[Message[Payload]]
    refused: list[triage.Kept]
    lines: int = 0
    unfit: HeaderUnfit | None = None
    """A header stops the run: nothing from it on can be read."""


class LineKeeper:
    """Keeps the lines of one device by its mapping."""

    def __init__(
        self,
        service: str,
        group: str,
        site: Site,
        device: Device,
        mapping: DeviceMapping,
        store: Store,
        relay: Relay,
    ) -> None:
        self.site = site
        self.device = device
        self.mapping = mapping
        self.store = store
        self._service = service
        self._group = group
        self._relay = relay
        self._said: set[str] = set()

    def read(self, file: BinaryIO, place: Place, name: str, *, whole: bool) -> Batch:
        """Read lines from a place on, and move the place behind them; keep nothing yet."""
        batch = Batch([], [])
        longest = self.mapping.longest_line_bytes
        for line in lines_from(file, place, longest, whole=whole):
            if line.raw or not (line.within or place.within_line):
                try:
                    self._take(line, place, name, batch)
                except HeaderUnfit as error:
                    batch.unfit = error
                    break
            place.position, place.line, place.within_line = line.end, line.number, line.within
            batch.lines += 1
            if batch.lines == _LINES_AT_ONCE:
                break
        place.fingerprint = fingerprint(file, place.position)
        return batch

    def keep(self, connection: Connection, of: Watched, place: Place, batch: Batch) -> None:
        """Keep a batch and the place behind it, in the caller's transaction."""
        outcomes = accept(connection, self._service, batch.messages, "file")
        triage.keep(connection, batch.refused)
        tail_store.save(connection, of, place)
        self._say(batch, outcomes)

    def keep_unfit(
        self, connection: Connection, of: Watched, place: Place, error: HeaderUnfit
    ) -> bool:
        """Tell a person once of a header that does not fit; say whether it was told now."""
        told = sha256(f"{error}{self.mapping.model_dump_json()}".encode()).hexdigest()
        if place.held == told:
            return False
        place.held = told
        entry = self._refused(error, Draft(), of.path, place.line + 1, error.value)
        triage.keep(connection, [entry])
        tail_store.save(connection, of, place)
        log.error("device_header_unfit", path=of.path, field=error.field, expected=error.expected)
        return True

    def wake(self) -> None:
        """Tell the relay that something was committed."""
        self._relay.wake()

    def _take(self, line: Line, place: Place, name: str, batch: Batch) -> None:
        text = shown(line.raw, self.mapping.encoding)
        try:
            if line.too_long:
                error = InvalidInput(
                    "line", text, f"at most {self.mapping.longest_line_bytes} bytes"
                )
                raise LineRefused(error, Draft())
            read = read_line(
                self.mapping, line.raw, place.columns, self.device, first=place.position == 0
            )
            if isinstance(read, Header):
                place.columns = read.columns
                place.held = None
                self._say_unknown(name, read.unknown)
            elif isinstance(read, Told):
                self._say_unknown(name, read.unknown)
                message = self._message(read)
                check_natural_key(message)
                batch.messages.append(message)
        except HeaderUnfit:
            raise
        except InvalidInput as error:
            draft = error.draft if isinstance(error, LineRefused) else Draft()
            batch.refused.append(self._refused(error, draft, name, line.number, text))

    def _message(self, told: Told) -> Message[Payload]:
        identity = new_id()
        return Message(
            id=identity,
            group=self._group,
            site=self.site.name,
            occurred_at=told.occurred_at,
            source_clock=told.source_clock,
            received_at=datetime.now(UTC),
            source=source_of(self.device),
            correlation_id=str(identity),
            payload=told.payload,
        )

    def _refused(
        self, error: InvalidInput, draft: Draft, name: str, number: int, text: str
    ) -> triage.Kept:
        """Make an entry that a person can complete and replay: the message as far as it goes."""
        identity = str(new_id())
        body = {
            "id": identity,
            "kind": draft.kind,
            "schema_version": _VERSION[draft.kind],
            "group": self._group,
            "site": self.site.name,
            "occurred_at": draft.clock.at.isoformat() if draft.clock else None,
            "source_clock": draft.clock.source_clock if draft.clock else None,
            "received_at": datetime.now(UTC).isoformat(),
            "source": source_of(self.device).model_dump(mode="json"),
            "correlation_id": identity,
            "causation_id": None,
            "payload": draft.fields,
        }
        told = InvalidInput(
            error.field, None, f"{error.expected}; line {number} of {name} says: {text}"
        )
        told.value = error.value
        return triage.Kept(self._service, "file", told, json.dumps(body).encode(), kind=draft.kind)

    def _say(self, batch: Batch, outcomes: list[Outcome]) -> None:
        count_outcomes(batch.messages, outcomes)
        for entry in batch.refused:
            # Without the line itself, which only the triage holds.
            expected = entry.error.expected.partition("; line ")[0]
            log.warning(
                "device_line_refused",
                device=self.device.name,
                site=self.site.name,
                field=entry.error.field,
                expected=expected,
            )

    def _say_unknown(self, name: str, columns: tuple[str, ...]) -> None:
        new = [column for column in columns if column not in self._said]
        if not new:
            return
        if len(self._said) < _MOST_SAID:
            self._said.update(new)
        log.warning(
            "device_columns_unknown", device=self.device.name, path=name, columns=new[:_MOST_SAID]
        )
