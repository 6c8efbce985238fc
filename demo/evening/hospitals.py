"""The invented group of the evening: three hospitals, made after the one of ``demo/group``."""

import hashlib
import shutil
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import yaml

from demo.http_teller import invented_token
from services.runtime.passwords import hash_password

GENERATOR_AHEAD_S: Final = 420.0
"""How wrong the generator's clock of the second hospital is: seven minutes. The trouble itself."""

_FROM: Final = Path(__file__).parents[1] / "group"
_OWN: Final = Path(__file__).with_name("group")


@dataclass(frozen=True, slots=True)
class Room:
    """A room with its generator and its station. Both clocks are ahead by so many seconds."""

    name: str
    generator: str
    serial: str
    station: str
    station_title: str
    generator_ahead_s: float
    station_ahead_s: float


@dataclass(frozen=True, slots=True)
class House:
    """One hospital. Its people are ``tech-N`` and ``vet-N``, its record's token ``record-N``."""

    number: int
    site: str
    title: str
    called_ae_title: str
    rooms: tuple[Room, ...]

    @property
    def technician(self) -> str:
        return f"tech-{self.number}"

    @property
    def vet(self) -> str:
        return f"vet-{self.number}"

    @property
    def record(self) -> str:
        return f"record-{self.number}"

    def room(self, name: str) -> Room:
        return next(room for room in self.rooms if room.name == name)


def _room(name: str, device: str, generator_ahead_s: float, station_s: float) -> Room:
    return Room(
        name=name,
        generator=f"generator-{device}",
        serial=f"INVENTED-GEN-{device.upper()}",
        station=f"station-{device}",
        station_title=f"INVSTATION{device.upper()}",
        generator_ahead_s=generator_ahead_s,
        station_ahead_s=station_s,
    )


HOUSES: Final = (
    House(1, "bramble", "Bramble Lane Animal Hospital (invented)", "GOMPHOSIS",
          (_room("dental-1", "1", 3.0, -4.0), _room("dental-2", "1b", -11.0, 2.0))),
    House(2, "sedgewater", "Sedgewater Animal Hospital (invented)", "SEDGEWATER",
          (_room("dental-1", "2", GENERATOR_AHEAD_S, 1.0),)),
    House(3, "tarnbeck", "Tarnbeck Animal Hospital (invented)", "TARNBECK",
          (_room("dental-1", "3", -35.0, 6.0),)),
)  # fmt: skip
"""The clocks of the others are off by seconds, as clocks are. All figures are invented."""


def write_group(folder: Path) -> None:
    """Write the group's folder: the demo's rules, our tariff, and a ``group.yaml`` of three."""
    shutil.copytree(_FROM, folder)
    shutil.copytree(_OWN, folder, dirs_exist_ok=True)
    one = yaml.safe_load((_FROM / "group.yaml").read_text(encoding="utf-8"))
    (pattern,) = one["sites"]
    group = {
        "name": "invented-evening",
        "title": "Quillmoor Animal Hospitals (invented)",
        "sites": [_site(pattern, house) for house in HOUSES],
    }
    text = "# Invented, made by `python -m demo.evening`: nothing here exists.\n"
    text += yaml.safe_dump(group, sort_keys=False)
    (folder / "group.yaml").write_text(text, encoding="utf-8")


def _site(pattern: dict[str, Any], house: House) -> dict[str, Any]:
    site = deepcopy(pattern)
    by_kind = {device["kind"]: device for device in site["devices"]}
    devices: list[dict[str, Any]] = []
    for room in house.rooms:
        generator = by_kind["generator"] | {"room": room.name, "serial": room.serial}
        station = by_kind["station"] | {"room": room.name, "ae_title": room.station_title}
        devices += [_device(generator, room.generator), station | {"name": room.station}]
    devices.append(_device(by_kind["record"], house.record))
    people = [_person(one, house) for one in site["people"] if house.number == 1 or _local(one)]
    if house.number == 1:
        devices.append(by_kind["console"])
    return site | {
        "name": house.site,
        "title": house.title,
        "called_ae_title": house.called_ae_title,
        "rooms": [room.name for room in house.rooms],
        "tariff": "evening-2026",
        "devices": devices,
        "people": people,
    }


def _local(person: dict[str, Any]) -> bool:
    return person["name"] in {"tech-1", "vet-1"}


def _device(device: dict[str, Any], name: str) -> dict[str, Any]:
    return device | {"name": name, "token_sha256": _sha256(invented_token(name))}


def _person(person: dict[str, Any], house: House) -> dict[str, Any]:
    """Give the first hospital's people as they are, and the others theirs by their number."""
    if house.number == 1:
        return person
    name = person["name"].replace("-1", f"-{house.number}")
    return person | {
        "name": name,
        "title": f"{person['title']} of {house.site.capitalize()}",
        "token_sha256": _sha256(invented_token(name)),
        "password_argon2": hash_password(invented_password(name)),
    }


def invented_password(name: str) -> str:
    return f"invented password of {name}"


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
