"""From a performed step to facts: its state, and the exposures that it tells of.

Pure. An exposure of a step has no time of its own there: it is told at the step's start, in the
order told, one microsecond apart, so that a repeated message tells the same facts again.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from pydantic import ValidationError
from pydicom.dataset import Dataset

from schemas.envelope import Envelope, Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.facts import ExposureEnded, StepPerformed, StepStatus, StudyClosed, ToldBy
from schemas.group import Device, Site
from schemas.messages import invalid_input
from services.intake.image_clock import moment_of, reading_of
from services.intake.image_values import Values
from services.intake.step_exposures import StepExposure, read_exposures
from services.intake.step_rules import INVALID_VALUE, StepRefused
from services.intake.step_store import KeptStep


@dataclass(frozen=True, slots=True)
class Unplaced:
    """An exposure that cannot be made a fact as it is: the reason, and a message to correct."""

    error: InvalidInput
    body: bytes


@dataclass(frozen=True, slots=True)
class StepFacts:
    """What a step tells: facts, exposures for a person to place, and attributes left out."""

    messages: list[Message[Payload]]
    unplaced: list[Unplaced]
    dropped: list[InvalidInput]


@dataclass(frozen=True, slots=True)
class Teller:
    """Who tells a step, and when it came."""

    group: str
    site: Site
    device: Device
    received_at: datetime


def facts_of(step: KeptStep, teller: Teller, *, closes_study: bool) -> StepFacts:
    """Make the facts of a step in its present state.

    ``closes_study``: a completed step also closes its study (the site's own rule).

    Raises
    ------
    StepRefused
        Start or, in a final state, end cannot be read as a date and a time (0106).
    """
    values = Values(step.attributes)
    started_at, start_clock = _moment(values, "Start", teller)
    at, clock = started_at, start_clock
    if step.status is not StepStatus.IN_PROGRESS:
        at, clock = _moment(values, "End", teller)
    messages = [_message(step, teller, at, clock, _performed(step, values))]
    exposures, dropped = read_exposures(step.attributes)
    unplaced = []
    for exposure in exposures:
        moment = started_at + timedelta(microseconds=exposure.number)
        told = _exposure(exposure, step, teller)
        try:
            payload = ExposureEnded.model_validate_json(json.dumps(told))
        except ValidationError as error:
            wrong = _no_generator(teller) if told["generator"] is None else None
            body = _envelope(step, teller, moment, start_clock, told)
            unplaced.append(Unplaced(wrong or invalid_input(error, "exposure"), body))
        else:
            messages.append(_message(step, teller, moment, start_clock, payload))
    if closes_study and step.status is StepStatus.COMPLETED:
        closing = StudyClosed(
            study_instance_uid=step.study_instance_uid,
            remark="The station completed its step; the site's rule closes the study then",
        )
        messages.append(_message(step, teller, at, clock, closing))
    return StepFacts(messages, unplaced, dropped + values.dropped)


def study_of(attributes: Dataset) -> str:
    """Give the step's study. Raises StepRefused (0106) where it is no UID."""
    told = attributes.ScheduledStepAttributesSequence[0]
    study = Values(told).uid("StudyInstanceUID")
    if study is None:
        raise StepRefused(INVALID_VALUE, "StudyInstanceUID", told.StudyInstanceUID, "a UID")
    return study


def _performed(step: KeptStep, values: Values) -> StepPerformed:
    code = None
    if step.status is StepStatus.DISCONTINUED:
        for item in values.items("PerformedProcedureStepDiscontinuationReasonCodeSequence"):
            told = item.code()
            code = code or (told[0] if told else None)
    return StepPerformed(
        step_instance_uid=step.step_instance_uid,
        study_instance_uid=step.study_instance_uid,
        station=step.station,
        status=step.status,
        discontinuation_code=code,
    )


def _exposure(exposure: StepExposure, step: KeptStep, teller: Teller) -> dict[str, Any]:
    generator = _generator(teller)
    return {
        "room": teller.device.room,
        "generator": generator.name if generator else None,
        "generator_serial": generator.serial if generator else None,
        "told_by": ToldBy.PERFORMED_STEP,
        "study_instance_uid": step.study_instance_uid,
        "irradiation_event_uid": exposure.irradiation_event_uid,
        "tube_kv": exposure.tube_kv,
        "tube_current_ma": exposure.tube_current_ma,
        # Only the delivered time is told in a step.
        "set_exposure_ms": exposure.exposure_ms,
        "exposure_ms": exposure.exposure_ms,
        "source_to_skin_mm": exposure.source_to_skin_mm,
        "reported_kerma_mgy": exposure.kerma_mgy,
        "reported_kap_mgycm2": exposure.kap_mgycm2,
    }


def _generator(teller: Teller) -> Device | None:
    """Find the one generator of the station's room, or None: it is never guessed."""
    room = teller.device.room
    found = [one for one in teller.site.generators() if room and one.room == room and one.serial]
    return found[0] if len(found) == 1 else None


def _no_generator(teller: Teller) -> InvalidInput:
    return InvalidInput(
        "payload.generator",
        teller.device.room,
        "the generator that made this exposure and its serial number: the station's room has not "
        "exactly one in group.yaml",
    )


def _moment(values: Values, end: str, teller: Teller) -> tuple[datetime, str]:
    keyword = f"PerformedProcedureStep{end}Date"
    date, time = values.text(keyword), values.text(f"PerformedProcedureStep{end}Time")
    offset = values.text("TimezoneOffsetFromUTC")
    found = moment_of(f"{date}{time}", offset, teller.site.zone)
    if found is None:
        raise StepRefused(INVALID_VALUE, keyword, f"{date} {time}", "YYYYMMDD, and HHMMSS")
    return found.astimezone(UTC), reading_of(date, time, offset)


def _message(
    step: KeptStep, teller: Teller, at: datetime, clock: str, payload: Payload
) -> Message[Payload]:
    return Message(
        id=new_id(),
        group=teller.group,
        site=teller.site.name,
        occurred_at=at,
        source_clock=clock,
        received_at=teller.received_at,
        source=Source(kind="device", name=teller.device.name),
        correlation_id=f"study-{step.study_instance_uid}",
        payload=payload,
    )


def _envelope(
    step: KeptStep, teller: Teller, at: datetime, clock: str, payload: dict[str, Any]
) -> bytes:
    envelope = Envelope(
        id=new_id(),
        kind=ExposureEnded.KIND,
        schema_version=ExposureEnded.VERSION,
        group=teller.group,
        site=teller.site.name,
        occurred_at=at,
        source_clock=clock,
        received_at=teller.received_at,
        source=Source(kind="device", name=teller.device.name),
        correlation_id=f"study-{step.study_instance_uid}",
        payload=payload,
    )
    return envelope.model_dump_json().encode()
