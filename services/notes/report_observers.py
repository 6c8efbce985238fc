"""Who observed what a report tells: observer context, PS3.16 TID 1002 to 1004 (from memory)."""

from pydicom.dataset import Dataset

from schemas.group import Site
from schemas.own_objects import MANUFACTURER
from services.notes.report_items import (
    HAS_OBS_CONTEXT,
    coded,
    dcm,
    person,
    text,
    uid_reference,
)
from services.notes.report_modules import Maker, person_name

_OBSERVER_TYPE = dcm("121005", "Observer Type")


def device_observer(site: Site, maker: Maker) -> list[Dataset]:
    """Say that this service recorded it (TID 1002, 1004), not the X-ray set."""
    told = [
        text(dcm("121013", "Device Observer Name"), MANUFACTURER, HAS_OBS_CONTEXT),
        text(dcm("121014", "Device Observer Manufacturer"), MANUFACTURER, HAS_OBS_CONTEXT),
        text(dcm("121015", "Device Observer Model Name"), maker.model, HAS_OBS_CONTEXT),
        text(
            dcm("121017", "Device Observer Physical Location During Observation"),
            site.title,
            HAS_OBS_CONTEXT,
        ),
    ]
    return [
        coded(_OBSERVER_TYPE, dcm("121007", "Device"), relation=HAS_OBS_CONTEXT),
        uid_reference(dcm("121012", "Device Observer UID"), maker.observer_uid, HAS_OBS_CONTEXT),
        *told,
    ]


def person_observer(site: Site, name: str) -> list[Dataset]:
    """Say that a person of the site recorded it (TID 1002, 1003)."""
    return [
        coded(_OBSERVER_TYPE, dcm("121006", "Person"), relation=HAS_OBS_CONTEXT),
        person(dcm("121008", "Person Observer Name"), person_name(name), HAS_OBS_CONTEXT),
        text(dcm("121009", "Person Observer's Organization Name"), site.title, HAS_OBS_CONTEXT),
    ]
