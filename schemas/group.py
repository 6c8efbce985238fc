"""The hospital group as data: sites, rooms, devices, people. A group owns this file."""

import hashlib
import hmac
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from pydantic import AfterValidator, Field, model_validator

from schemas.base import Contract, Name, Positive, Text
from schemas.devices import AeTitle, Device, DeviceKind, Sensor, Tube
from schemas.errors import InvalidInput
from schemas.facts.order import WeightUnit
from schemas.people import Person, Role
from schemas.rule_files import read_rules

__all__ = [
    "AeTitle",
    "Device",
    "DeviceKind",
    "Group",
    "LocaleName",
    "Person",
    "Role",
    "Sensor",
    "Site",
    "TimeZoneName",
    "Tube",
    "load_group",
]


def _known_zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError("expected a time zone of the IANA database (Europe/Vienna)") from error
    return value


def _known_locale(value: str) -> str:
    try:
        Locale.parse(value)
    except (ValueError, UnknownLocaleError) as error:
        raise ValueError("expected a locale of the Unicode CLDR (en_GB, de_AT)") from error
    return value


LocaleName = Annotated[str, Field(max_length=32), AfterValidator(_known_locale)]
TimeZoneName = Annotated[str, AfterValidator(_known_zone)]


class Site(Contract):
    """One animal hospital: its clock's zone, its rooms, its devices.

    ``techniques`` names its technique chart; without one, settings are compared with nothing.
    ``locale`` (``en_GB``) is how a note writes days and numbers; without one days are ISO 8601,
    with a decimal point. In ``weight_unit`` a note shows weights, beside the unit they were told
    in. ``remind_unsigned_after_hours``: how old a note of a closed study is at each reminder of
    its signature; the hours that hold without a word of the site are invented.
    """

    name: Name
    title: Text
    time_zone: TimeZoneName
    called_ae_title: AeTitle
    rooms: tuple[Name, ...]
    devices: tuple[Device, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    people: tuple[Person, ...] = ()
    tariff: Name
    limits: Name = "group_default"
    techniques: Name | None = None
    locale: LocaleName | None = None
    weight_unit: WeightUnit | None = None
    remind_unsigned_after_hours: Annotated[tuple[Positive, ...], Field(max_length=20)] = (
        24.0,
        72.0,
    )

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "north",
            "title": "Invented Hospital North",
            "time_zone": "Europe/Vienna",
            "called_ae_title": "GOMPHOSIS",
            "rooms": ["dental-1"],
            "devices": [Device.EXAMPLES[0]],
            "people": [Person.EXAMPLES[0]],
            "tariff": "invented-2026",
        },
    )

    @model_validator(mode="after")
    def _names_are_unique_and_known(self) -> Self:
        names = [device.name for device in self.devices] + [person.name for person in self.people]
        if len(names) != len(set(names)):
            raise ValueError("expected every device and person to have a name of its own")
        for device in self.devices:
            if device.room is not None and device.room not in self.rooms:
                raise ValueError(f"expected the room of {device.name} among {self.rooms}")
        return self

    @model_validator(mode="after")
    def _reminders_come_one_after_the_other(self) -> Self:
        hours = self.remind_unsigned_after_hours
        if list(hours) != sorted(set(hours)):
            raise ValueError("expected remind_unsigned_after_hours to rise")
        return self

    @model_validator(mode="after")
    def _sensors_are_told_apart(self) -> Self:
        names = [sensor.name for sensor in self.sensors]
        detectors = [sensor.detector_id for sensor in self.sensors if sensor.detector_id]
        for what, told in (("name", names), ("detector_id", detectors)):
            if len(told) != len(set(told)):
                raise ValueError(f"expected every sensor to have a {what} of its own")
        for sensor in self.sensors:
            if sensor.room is not None and sensor.room not in self.rooms:
                raise ValueError(f"expected the room of {sensor.name} among {self.rooms}")
        return self

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    def device(self, name: str) -> Device | None:
        return next((device for device in self.devices if device.name == name), None)

    def sensor_of(self, detector_id: str | None) -> str | None:
        """Name the sensor that writes this Detector ID (0018,700A), where one is listed."""
        if detector_id is None:
            return None
        found = (sensor.name for sensor in self.sensors if sensor.detector_id == detector_id)
        return next(found, None)

    def generators(self) -> Iterator[Device]:
        return (device for device in self.devices if device.kind is DeviceKind.GENERATOR)


class Group(Contract):
    """The whole group. Sites share one listener and are told apart by AE titles and tokens."""

    name: Name
    title: Text
    sites: Annotated[tuple[Site, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"name": "example-group", "title": "Invented Group", "sites": [Site.EXAMPLES[0]]},
    )

    @model_validator(mode="after")
    def _peers_are_told_apart(self) -> Self:
        names = [site.name for site in self.sites]
        if len(names) != len(set(names)):
            raise ValueError("expected every site to have a name of its own")
        peers = [
            (site.called_ae_title, device.ae_title)
            for site in self.sites
            for device in site.devices
            if device.ae_title
        ]
        if len(peers) != len(set(peers)):
            raise ValueError("expected each pair of called and calling AE title once")
        return self

    @model_validator(mode="after")
    def _people_are_told_apart(self) -> Self:
        people = [person for site in self.sites for person in site.people]
        subjects = [person.oidc_subject for person in people if person.oidc_subject]
        if len(subjects) != len(set(subjects)):
            raise ValueError("expected every oidc_subject once in the group")
        names = [person.name for person in people]
        for person in people:
            if person.reach == "group" and names.count(person.name) > 1:
                raise ValueError(
                    f"expected the name of {person.name}, who reaches every site, once in the group"
                )
        return self

    def site(self, name: str) -> Site:
        for site in self.sites:
            if site.name == name:
                return site
        raise InvalidInput("site", name, f"one of {', '.join(site.name for site in self.sites)}")

    def dicom_peer(self, called: str, calling: str, address: str) -> tuple[Site, Device] | None:
        """Find who calls: by called and calling AE title and address, or nobody."""
        for site in self.sites:
            if site.called_ae_title != called:
                continue
            for device in site.devices:
                if device.ae_title == calling and device.is_at(address):
                    return site, device
        return None

    def person(self, site: str, name: str) -> tuple[Site, Person] | None:
        """Find a member of a site's own staff."""
        for one in self.sites:
            for person in one.people:
                if (one.name, person.name) == (site, name):
                    return one, person
        return None

    def token_holder(self, token: str) -> tuple[Site, Device | Person] | None:
        """Find whose HTTP token this is. Every hash is compared, so timing tells nothing."""
        digest = hashlib.sha256(token.encode()).hexdigest()
        found: tuple[Site, Device | Person] | None = None
        for site in self.sites:
            holders: tuple[Device | Person, ...] = (*site.devices, *site.people)
            for holder in holders:
                if holder.token_sha256 and hmac.compare_digest(holder.token_sha256, digest):
                    found = site, holder
        return found


def load_group(folder: Path) -> Group:
    """Read ``group.yaml`` from the group's folder; InvalidInput names what is wrong in it."""
    return read_rules(Group, folder / "group.yaml")
