"""From the exposures of a dose report to facts: which generator told them, when, of which study."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import ValidationError

from schemas.errors import InvalidInput
from schemas.facts import ExposureEnded, ToldBy
from schemas.group import Device, Site
from schemas.messages import invalid_input
from services.intake.document_header import DocumentHeader
from services.intake.dose_report_reader import DoseReport, ReportedExposure
from services.intake.image_clock import moment_of


@dataclass(frozen=True, slots=True)
class ToldExposure:
    """An exposure as a fact: when it ended, and the start as the report's own clock told it."""

    ended_at: datetime
    source_clock: str
    exposure: ExposureEnded


@dataclass(frozen=True, slots=True)
class Generator:
    """Which generator made an exposure: a device of the site, or the station in its place."""

    name: str
    serial: str
    room: str | None


def told_exposures(
    header: DocumentHeader, report: DoseReport, site: Site, station: str, room: str | None
) -> tuple[list[ToldExposure], list[InvalidInput]]:
    """Make the facts of a report; the second list holds the events that cannot be one, and why."""
    told: list[ToldExposure] = []
    unusable = list(report.unusable)
    for one in report.exposures:
        try:
            told.append(_fact(header, report, one, site, station, room))
        except InvalidInput as error:
            unusable.append(error)
    return told, unusable


def _fact(
    header: DocumentHeader,
    report: DoseReport,
    one: ReportedExposure,
    site: Site,
    station: str,
    room: str | None,
) -> ToldExposure:
    started = moment_of(one.started, header.timezone_offset, site.zone)
    if started is None:
        raise InvalidInput(f"{one.place} DateTime Started", one.started, "a date and a time")
    observers = (*report.observer_serials, *filter(None, (header.device_serial,)))
    generator = find_generator(site, station, room, one.serials, observers)
    if generator.room is None:
        raise InvalidInput(
            f"{one.place} room", None, f"a room of {generator.name} in the group's own file"
        )
    try:
        exposure = ExposureEnded(
            room=generator.room,
            generator=generator.name,
            generator_serial=generator.serial,
            told_by=ToldBy.DOSE_REPORT,
            study_instance_uid=header.study_instance_uid,
            irradiation_event_uid=one.irradiation_event_uid,
            tube_kv=one.tube_kv,
            tube_current_ma=one.tube_current_ma,
            # The report tells what was delivered; what was set stands in none of its items.
            set_exposure_ms=one.exposure_ms,
            exposure_ms=one.exposure_ms,
            exposure_mas=one.exposure_mas,
            source_to_skin_mm=one.source_to_skin_mm,
            reported_kerma_mgy=one.kerma_mgy,
            reported_kap_mgycm2=one.kap_mgycm2,
        )
    except ValidationError as error:
        wrong = invalid_input(error, one.place)
        raise wrong from error
    try:
        ended_at = started + timedelta(milliseconds=one.exposure_ms)
    except OverflowError as error:
        raise InvalidInput(
            f"{one.place} DateTime Started", one.started, "a year below 9999"
        ) from error
    return ToldExposure(ended_at, one.started, exposure)


def find_generator(
    site: Site,
    station: str,
    room: str | None,
    irradiating: Iterable[str],
    observers: Iterable[str],
) -> Generator:
    """Find who made an exposure: by serial, else the station's room's only generator, else the
    station itself stands for it.

    ``irradiating`` are serials of the device that irradiated, ``observers`` serials and device
    UIDs of what recorded; the first known one counts.
    """
    told = list(irradiating)
    known = {device.serial: device for device in site.generators() if device.serial is not None}
    for serial in (*told, *observers):
        if serial in known:
            return _generator(known[serial], serial, room)
    here = [device for device in site.generators() if device.room == room and room is not None]
    told_serial = told[0] if told else None
    if len(here) == 1:
        return _generator(here[0], told_serial, room)
    return Generator(station, told_serial or station, room)


def _generator(device: Device, told_serial: str | None, room: str | None) -> Generator:
    serial = told_serial or device.serial or device.name
    return Generator(device.name, serial, device.room or room)
