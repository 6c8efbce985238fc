"""Who may tell what over HTTP."""

from typing import Any

import pytest

from schemas.facts import FACTS
from schemas.group import Device, DeviceKind, Person, Role
from services.intake.permissions import (
    DEVICE_MAY_TELL,
    ROLE_MAY_TELL,
    NotPermitted,
    check_permitted,
    source_of,
)

GENERATOR = Device(
    name="generator-1", kind=DeviceKind.GENERATOR, room="dental-1", serial="INVENTED-0001"
)
RECORD = Device(name="record-north", kind=DeviceKind.RECORD)
TABLET = Device(name="tablet-1", kind=DeviceKind.TABLET)
OWN_EXPOSURE = {
    "generator": "generator-1",
    "room": "dental-1",
    "generator_serial": "INVENTED-0001",
}


def person(*roles: Role) -> Person:
    return Person(name="vet-1", title="Invented Person", roles=roles)


def test_the_table_holds_every_kind_and_role_and_only_facts() -> None:
    kinds = {fact.KIND for fact in FACTS}

    assert set(DEVICE_MAY_TELL) == set(DeviceKind)
    assert set(ROLE_MAY_TELL) == set(Role)
    for told in (*DEVICE_MAY_TELL.values(), *ROLE_MAY_TELL.values()):
        assert told <= kinds


def test_nobody_may_tell_an_image_without_its_file() -> None:
    for told in (*DEVICE_MAY_TELL.values(), *ROLE_MAY_TELL.values()):
        assert "image_stored" not in told


@pytest.mark.parametrize(
    ("holder", "kind", "payload"),
    [
        (GENERATOR, "exposure_ended", OWN_EXPOSURE),
        (GENERATOR, "exposure_ended", OWN_EXPOSURE | {"generator_serial": "INVENTED-0002"}),
        (GENERATOR, "clock_read", {"device": "generator-1"}),
        (RECORD, "order_placed", {}),
        (RECORD, "patient_described", {}),
        (RECORD, "patient_merged", {}),
        (TABLET, "view_excused", {}),
        (person(Role.TECHNICIAN), "tooth_absent", {}),
        (person(Role.TRAINEE), "note_amended", {}),
        (person(Role.TRAINEE), "note_signed", {"signer": "vet-1"}),
        (person(Role.VET), "note_signed", {"signer": "vet-1"}),
        (person(Role.TECHNICIAN, Role.BILLING), "charges_released", {}),
        (person(Role.VET), "note_released", {}),
        (person(Role.LEAD), "note_released", {}),
        (RECORD, "record_lines_read", {}),
        (person(Role.BILLING), "charge_exception_decided", {}),
        (person(Role.LEAD), "charge_exception_decided", {}),
        (person(Role.LEAD), "charge_exception_countersigned", {}),
    ],
)
def test_a_holder_may_tell_what_is_theirs(
    holder: Device | Person, kind: str, payload: dict[str, Any]
) -> None:
    check_permitted(holder, kind, payload)


@pytest.mark.parametrize(
    ("holder", "kind", "payload", "field"),
    [
        (GENERATOR, "order_placed", {}, "kind"),
        (GENERATOR, "exposure_ended", OWN_EXPOSURE | {"room": "dental-2"}, "payload.room"),
        (
            GENERATOR,
            "exposure_ended",
            OWN_EXPOSURE | {"generator": "generator-2"},
            "payload.generator",
        ),
        (GENERATOR, "clock_read", {"device": "station-1"}, "payload.device"),
        (RECORD, "exposure_ended", OWN_EXPOSURE, "kind"),
        (TABLET, "patient_described", {}, "kind"),
        (TABLET, "note_signed", {"signer": "vet-1"}, "kind"),
        (TABLET, "charges_released", {}, "kind"),
        (person(Role.TECHNICIAN), "note_signed", {"signer": "vet-1"}, "kind"),
        (person(Role.ADMIN), "note_signed", {"signer": "vet-1"}, "kind"),
        (person(Role.VET), "note_signed", {"signer": "vet-2"}, "payload.signer"),
        (person(Role.VET), "note_addended", {}, "payload.signer"),
        (person(Role.TRAINEE), "note_addended", {"signer": "vet-1"}, "kind"),
        (person(Role.TRAINEE), "note_signed", {"signer": "vet-2"}, "payload.signer"),
        (person(Role.TRAINEE), "note_released", {}, "kind"),
        (person(Role.BILLING), "note_released", {}, "kind"),
        (person(), "view_excused", {}, "kind"),
        (person(Role.BILLING), "charge_exception_countersigned", {}, "kind"),
        (person(Role.VET), "charge_exception_decided", {}, "kind"),
        (TABLET, "record_lines_read", {}, "kind"),
    ],
)
def test_anything_else_is_refused_and_the_field_named(
    holder: Device | Person, kind: str, payload: dict[str, Any], field: str
) -> None:
    with pytest.raises(NotPermitted) as refusal:
        check_permitted(holder, kind, payload)

    assert refusal.value.field == field
    assert refusal.value.expected


@pytest.mark.parametrize(
    ("holder", "kind"),
    [(GENERATOR, "device"), (RECORD, "record"), (person(Role.VET), "person")],
)
def test_the_source_follows_from_the_holder(holder: Device | Person, kind: str) -> None:
    assert (source_of(holder).kind, source_of(holder).name) == (kind, holder.name)
