"""For whom a console may speak, and that nobody else speaks for anybody."""

import pytest

from schemas.acting import ACTING_AT, ACTING_PERSON
from schemas.group import Device, DeviceKind, Group, Person, Role, Site
from schemas.people import Reach
from services.intake.consoles import acting_holder
from services.intake.permissions import NotPermitted

TABLET = Device(name="tablet-1", kind=DeviceKind.TABLET)


def _console(speaks_for: Reach) -> Device:
    return Device(name="console-1", kind=DeviceKind.CONSOLE, speaks_for=speaks_for)


def _site(name: str, *people: Person) -> Site:
    return Site(
        name=name,
        title="Invented Hospital",
        time_zone="Europe/Vienna",
        called_ae_title=name.upper(),
        rooms=("dental-1",),
        people=people,
        tariff="invented",
    )


VET = Person(name="vet-1", title="Invented Vet", roles=(Role.VET,))
LEAD = Person(name="lead-1", title="Invented Lead", roles=(Role.LEAD,), reach="group")
NORTH, SOUTH = _site("north", VET, LEAD), _site("south", VET)
GROUP = Group(name="invented-group", title="Invented Group", sites=(NORTH, SOUTH))


@pytest.mark.parametrize(
    ("speaks_for", "headers", "site", "person"),
    [
        ("site", {ACTING_PERSON: "north/vet-1"}, NORTH, VET),
        ("site", {ACTING_PERSON: "north/vet-1", ACTING_AT: "north"}, NORTH, VET),
        ("group", {ACTING_PERSON: "south/vet-1"}, SOUTH, VET),
        ("group", {ACTING_PERSON: "north/lead-1", ACTING_AT: "south"}, SOUTH, LEAD),
    ],
)
def test_a_console_tells_in_the_name_of_a_person_whom_it_speaks_for(
    speaks_for: Reach, headers: dict[str, str], site: Site, person: Person
) -> None:
    assert acting_holder(GROUP, NORTH, _console(speaks_for), headers) == (site, person)


@pytest.mark.parametrize(
    ("speaks_for", "headers", "field"),
    [
        ("site", {}, ACTING_PERSON),
        ("site", {ACTING_PERSON: "vet-1"}, ACTING_PERSON),
        ("site", {ACTING_PERSON: "north/nobody"}, ACTING_PERSON),
        ("site", {ACTING_PERSON: "north/tablet-1"}, ACTING_PERSON),
        ("site", {ACTING_PERSON: "south/vet-1"}, ACTING_PERSON),
        ("site", {ACTING_PERSON: "north/lead-1", ACTING_AT: "south"}, ACTING_AT),
        ("group", {ACTING_PERSON: "north/vet-1", ACTING_AT: "south"}, ACTING_AT),
        ("group", {ACTING_PERSON: "north/lead-1", ACTING_AT: "east"}, ACTING_AT),
    ],
)
def test_a_console_speaks_for_nobody_else_and_nowhere_else(
    speaks_for: Reach, headers: dict[str, str], field: str
) -> None:
    with pytest.raises(NotPermitted) as refusal:
        acting_holder(GROUP, NORTH, _console(speaks_for), headers)

    assert refusal.value.field == field


@pytest.mark.parametrize("holder", [TABLET, VET])
@pytest.mark.parametrize("header", [ACTING_PERSON, ACTING_AT])
def test_whoever_is_no_console_names_nobody(holder: Device | Person, header: str) -> None:
    assert acting_holder(GROUP, NORTH, holder, {}) == (NORTH, holder)

    with pytest.raises(NotPermitted) as refusal:
        acting_holder(GROUP, NORTH, holder, {header: "north/vet-1"})

    assert refusal.value.field == header
