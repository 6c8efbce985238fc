"""Who may tell what over HTTP: one table, by kind of device and by role of person."""

from typing import Any, Final

from schemas.envelope import Source
from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind, Person, Role

Holder = Device | Person


class NotPermitted(InvalidInput):
    """The holder of the token may not tell this fact."""


CHAIRSIDE: Final = frozenset(
    {
        "view_excused",
        "image_assigned",
        "image_rejected",
        "link_decided",
        "tooth_absent",
        "readiness_checked",
        "sensor_handed",
        "sensor_tested",
        "sensor_faulted",
        "fact_withdrawn",
        "study_closed",
    }
)

# An image is told by nobody: its file comes by DICOM or import, and the fact with it.
DEVICE_MAY_TELL: Final[dict[DeviceKind, frozenset[str]]] = {
    DeviceKind.GENERATOR: frozenset({"exposure_ended", "clock_read"}),
    DeviceKind.STATION: frozenset({"clock_read", "step_performed"}),
    DeviceKind.RECORD: frozenset(
        {
            "order_placed",
            "order_cancelled",
            "patient_described",
            "patient_merged",
            "posting_answered",
            "record_lines_read",
        }
    ),
    DeviceKind.TABLET: CHAIRSIDE,
    DeviceKind.CONSOLE: frozenset(),  # it tells what a person tells, in that person's name
    DeviceKind.NODE: frozenset(),  # it sends on what was told to it, by a door of its own
}

ROLE_MAY_TELL: Final[dict[Role, frozenset[str]]] = {
    Role.VET: CHAIRSIDE
    | {"charges_released", "note_amended", "note_signed", "note_addended", "note_released"},
    Role.TRAINEE: CHAIRSIDE | {"note_amended", "note_signed"},
    Role.TECHNICIAN: CHAIRSIDE,
    Role.LEAD: CHAIRSIDE
    | {
        "charges_released",
        "note_released",
        "charge_exception_decided",
        "charge_exception_countersigned",
    },
    Role.BILLING: frozenset({"charges_released", "charge_exception_decided"}),
    Role.ADMIN: frozenset({"clock_read", "patient_merged"}),
}

_SIGNED: Final = frozenset({"note_signed", "note_addended"})


def check_permitted(holder: Holder, kind: str, payload: dict[str, Any]) -> None:
    """Check that the holder may tell a fact of this kind with this payload.

    Raises NotPermitted, naming the field that stands against it.
    """
    allowed = _allowed(holder)
    if kind not in allowed:
        told = ", ".join(sorted(allowed)) or "nothing"
        raise NotPermitted("kind", kind, f"one that {holder.name} may tell: {told}")
    if isinstance(holder, Person):
        if kind in _SIGNED and payload.get("signer") != holder.name:
            raise NotPermitted(
                "payload.signer", payload.get("signer"), f"{holder.name}, who holds the token"
            )
    elif kind == "exposure_ended":
        _check_own_exposure(holder, payload)
    elif kind == "clock_read" and payload.get("device") != holder.name:
        raise NotPermitted("payload.device", payload.get("device"), f"{holder.name}, its own")


def source_of(holder: Holder) -> Source:
    """Tell who the envelope names as the source."""
    if isinstance(holder, Person):
        return Source(kind="person", name=holder.name)
    if holder.kind is DeviceKind.RECORD:
        return Source(kind="record", name=holder.name)
    return Source(kind="device", name=holder.name)


def _allowed(holder: Holder) -> frozenset[str]:
    if isinstance(holder, Device):
        return DEVICE_MAY_TELL[holder.kind]
    return frozenset().union(*(ROLE_MAY_TELL[role] for role in holder.roles))


def _check_own_exposure(generator: Device, payload: dict[str, Any]) -> None:
    """A generator tells its own exposures only: a dose in another room is another patient's.

    Its serial may be another than the listed one: the unit may have been exchanged. A dose that
    was given is never turned away for that; assessment asks a person.
    """
    own = {"generator": generator.name, "room": generator.room}
    for field, expected in own.items():
        if expected is not None and payload.get(field) != expected:
            raise NotPermitted(f"payload.{field}", payload.get(field), f"{expected}, its own")
