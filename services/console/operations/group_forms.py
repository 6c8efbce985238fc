"""What a form tells of a new site or device, read by the contract with errors by field. Pure."""

import json
from collections.abc import Mapping
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from schemas.group import Device, DeviceKind, Group, Site

Form = Mapping[str, str]
Errors = dict[str, str]

TUBE: Final = (
    "total_filtration_mm_al",
    "anode_angle_degrees",
    "source_to_skin_mm",
    "field_diameter_mm",
)
TOKEN_KINDS: Final = (
    DeviceKind.GENERATOR,
    DeviceKind.RECORD,
    DeviceKind.TABLET,
    DeviceKind.CONSOLE,
    DeviceKind.NODE,
)
_PLAIN: Final = {
    "name": "expected lower case letters, digits, - and _, at most 64, no - or _ first",
    "rooms": "expected short names of lower case letters, digits, - and _",
    "tariff": "expected one of the list",
    "ae_title": "expected 1 to 16 characters without spaces",
    "called_ae_title": "expected 1 to 16 characters without spaces",
    "addresses": "expected networks by CIDR, such as 192.0.2.17/32 or 192.0.2.0/24",
    "certificate_sha256": "expected 64 digits of 0 to 9 and a to f",
    "listens_host": "expected a host name or an address",
    "listens_port": "expected a number from 1 to 65535",
    "time_zone": "expected a name of the IANA database, such as Europe/Vienna",
} | dict.fromkeys(TUBE, "expected a number above 0; leave all four empty where none is known")
_TEXTS: Final = ("name", "kind", "room", "ae_title", "serial", "certificate_sha256")
_SITE_TEXTS: Final = (
    "name",
    "title",
    "time_zone",
    "called_ae_title",
    "tariff",
    "limits",
    "techniques",
    "locale",
    "weight_unit",
)


def device_told(form: Form, token_sha256: str | None) -> dict[str, Any]:
    """Make the device that a form tells, as it stands in the file."""
    told: dict[str, Any] = {name: form[name].strip() for name in _TEXTS if _said(form, name)}
    if _said(form, "certificate_sha256"):
        told["certificate_sha256"] = told["certificate_sha256"].replace(":", "").lower()
    if _said(form, "addresses"):
        told["addresses"] = form["addresses"].replace(",", " ").split()
    if token_sha256 is not None:
        told["token_sha256"] = token_sha256
    if _said(form, "listens_host") or _said(form, "listens_port"):
        told["listens_at"] = {
            "host": form.get("listens_host", "").strip(),
            "port": _number(form.get("listens_port", "")),
        } | ({"tls": True} if _said(form, "listens_tls") else {})
    tube = {name: _number(form[name]) for name in TUBE if _said(form, name)}
    if tube:
        told["tube"] = tube | (
            {"waveform": form["waveform"].strip()} if _said(form, "waveform") else {}
        )
    if told.get("kind") == DeviceKind.CONSOLE and _said(form, "speaks_for_group"):
        told["speaks_for"] = "group"
    return told


def site_told(form: Form) -> dict[str, Any]:
    """Make the site that a form tells, as it stands in the file; without devices and people."""
    told: dict[str, Any] = {name: form[name].strip() for name in _SITE_TEXTS if _said(form, name)}
    told["rooms"] = form.get("rooms", "").replace(",", " ").split()
    return told | {"devices": [], "people": []}


def device_errors(told: Mapping[str, Any], site: Site) -> Errors:
    """Name each field of a device that breaks the contract, with what was expected."""
    errors = _errors(Device, told)
    taken = [one.name for one in site.devices] + [one.name for one in site.people]
    if told.get("name") in taken:
        errors.setdefault("name", "expected a name that no device or person of the site has yet")
    if told.get("kind") == DeviceKind.STATION and "ae_title" not in told:
        errors.setdefault("ae_title", "expected the station's own AE title")
    if "ae_title" in told and not told.get("addresses"):
        errors.setdefault("addresses", "expected the network that it calls from: 192.0.2.17/32")
    if "room" in told and told["room"] not in site.rooms:
        errors.setdefault("room", f"expected one of {', '.join(site.rooms)}")
    return errors


def site_errors(told: Mapping[str, Any], group: Group) -> Errors:
    """Name each field of a site that breaks the contract, with what was expected."""
    errors = _errors(Site, told)
    if told.get("name") in {site.name for site in group.sites}:
        errors.setdefault("name", "expected a name that no site has yet")
    if not told["rooms"]:
        errors.setdefault("rooms", "expected at least one short name, such as dental-1")
    return errors


def _errors(contract: type[BaseModel], told: Mapping[str, Any]) -> Errors:
    try:
        contract.model_validate_json(json.dumps(told))
    except ValidationError as error:
        return {
            _field(one["loc"]): _PLAIN.get(_field(one["loc"])) or _expected(one["msg"])
            for one in reversed(error.errors())
        }
    return {}


def _field(path: tuple[int | str, ...]) -> str:
    """Name the field of the form; ``listens_at.host`` is ``listens_host`` there."""
    steps = [str(step) for step in path if not isinstance(step, int)]
    if steps[:1] == ["listens_at"]:
        return f"listens_{steps[1]}" if len(steps) > 1 else "listens_host"
    if steps[:1] == ["tube"]:
        return steps[1] if len(steps) > 1 else TUBE[0]
    return steps[0] if steps else "all"


def _expected(message: str) -> str:
    words = message.removeprefix("Value error, ")
    return {"Field required": "expected this to be filled in"}.get(words, words)


def _said(form: Form, name: str) -> bool:
    return bool(form.get(name, "").strip())


def _number(told: str) -> float | int | str:
    """Read a number; what is none stays as it was told, for the contract to name it."""
    text = told.strip()
    try:
        return int(text) if text.isascii() and text.isdigit() else float(text)
    except ValueError:
        return text
