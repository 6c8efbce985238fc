"""Keeping performed steps: the rules, one transaction, the facts that follow."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import structlog
from pydicom.dataset import Dataset
from sqlalchemy import Connection

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import StepPerformed
from schemas.group import Device, DeviceKind, Site
from services.intake.accept import Outcome, accept
from services.intake.count import count_outcomes
from services.intake.refused_request import refused_request
from services.intake.step_facts import StepFacts, Teller, facts_of, study_of
from services.intake.step_rules import (
    DUPLICATE,
    NO_SUCH_INSTANCE,
    NOT_AUTHORISED,
    StepRefused,
    changed,
    check_creation,
    status_of,
)
from services.intake.step_store import KeptStep, change_step, find_step, insert_step
from services.runtime import triage
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_MAY_TELL = frozenset({DeviceKind.STATION, DeviceKind.GENERATOR})
_UID_KEYWORD = "SOPInstanceUID"


class StepDesk:
    """Takes steps of one group's sites. Safe to use from many threads.

    ``closes_study``: a completed step closes its study, as the setting
    ``intake.close_on_completed_step`` says.
    """

    def __init__(
        self, service: str, group: str, store: Store, relay: Relay, *, closes_study: bool
    ) -> None:
        self._service = service
        self._group = group
        self._store = store
        self._relay = relay
        self._closes_study = closes_study

    def create(self, site: Site, device: Device, uid: str, attributes: Dataset) -> None:
        """Keep a new step (N-CREATE); return once it and its facts are durable.

        Raises StepRefused with the standard's status, or StoreUnavailable.
        """
        _check_may_tell(device)
        check_creation(attributes)
        status = status_of(attributes)
        step = KeptStep(uid, device.name, study_of(attributes), status, attributes)
        facts = self._facts(step, site, device)
        with self._store.begin() as connection:
            if not insert_step(connection, site.name, step):
                raise StepRefused(DUPLICATE, _UID_KEYWORD, uid, "a UID that no other step has")
            outcomes = self._keep(connection, facts)
        self._tell(step, site, facts, outcomes)

    def change(self, site: Site, device: Device, uid: str, change: Dataset) -> None:
        """Change, complete or discontinue a step (N-SET); return once that is durable.

        Raises StepRefused with the standard's status, or StoreUnavailable.
        """
        _check_may_tell(device)
        with self._store.begin() as connection:
            self._store.lock(connection, f"intake-step-{site.name}-{uid}")
            before = find_step(connection, site.name, uid)
            if before is None:
                raise StepRefused(NO_SUCH_INSTANCE, _UID_KEYWORD, uid, "a step created before")
            if before.station != device.name:
                raise StepRefused(NOT_AUTHORISED, _UID_KEYWORD, device.name, "its own station")
            attributes = changed(before.attributes, change)
            step = replace(before, attributes=attributes, status=status_of(attributes))
            facts = self._facts(step, site, device)
            change_step(connection, site.name, step)
            outcomes = self._keep(connection, facts)
        self._tell(step, site, facts, outcomes)

    def refuse(
        self, request: str, event: Any, attribute: str, peer: tuple[Site, Device], why: InvalidInput
    ) -> None:
        """Keep what cannot be used for a person, before its station is told (StoreUnavailable)."""
        kind = StepPerformed.KIND
        entry = refused_request(self._service, request, event, attribute, peer, why, kind)
        with self._store.begin() as connection:
            triage.keep(connection, [entry])

    def _facts(self, step: KeptStep, site: Site, device: Device) -> StepFacts:
        teller = Teller(self._group, site, device, datetime.now(UTC))
        return facts_of(step, teller, closes_study=self._closes_study)

    def _keep(self, connection: Connection, facts: StepFacts) -> list[Outcome]:
        entries = [
            # Its body is a message, so it is settled like one that came by the bus.
            triage.Kept(self._service, "bus", one.error, one.body, kind="exposure_ended")
            for one in facts.unplaced
        ]
        triage.keep(connection, entries)
        messages: list[Message[Payload]] = facts.messages
        return accept(connection, self._service, messages, "dicom")

    def _tell(self, step: KeptStep, site: Site, facts: StepFacts, outcomes: list[Outcome]) -> None:
        self._relay.wake()
        count_outcomes(facts.messages, outcomes)
        log.info(
            "step_kept",
            site=site.name,
            station=step.station,
            step_instance_uid=step.step_instance_uid,
            status=step.status.value,
        )
        for dropped in facts.dropped:
            log.info(
                "step_attribute_dropped",
                station=step.station,
                step_instance_uid=step.step_instance_uid,
                field=dropped.field,
                expected=dropped.expected,
            )


def _check_may_tell(device: Device) -> None:
    if device.kind not in _MAY_TELL:
        raise StepRefused(
            NOT_AUTHORISED, _UID_KEYWORD, device.kind.value, "a station or a generator"
        )
