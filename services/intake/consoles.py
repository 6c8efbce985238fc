"""For whom a console speaks: a person of a site of its own, named in a header beside its token."""

from collections.abc import Mapping

from schemas.acting import ACTING_AT, ACTING_PERSON
from schemas.group import Device, DeviceKind, Group, Person, Site
from services.intake.permissions import Holder, NotPermitted


def acting_holder(
    group: Group, site: Site, holder: Holder, headers: Mapping[str, str]
) -> tuple[Site, Holder]:
    """Tell who tells the facts of a request, and for which site.

    Whoever is no console tells in its own name and may name nobody else. Raises NotPermitted.
    """
    told, at = headers.get(ACTING_PERSON), headers.get(ACTING_AT)
    if not isinstance(holder, Device) or holder.kind is not DeviceKind.CONSOLE:
        for name, value in ((ACTING_PERSON, told), (ACTING_AT, at)):
            if value is not None:
                raise NotPermitted(name, value, "nothing: only a console speaks for people")
        return site, holder
    home, person = _person(group, site, holder, told)
    if at is None or at == home.name:
        return home, person
    other = next((one for one in group.sites if one.name == at), None)
    if other is None or person.reach != "group" or holder.speaks_for != "group":
        raise NotPermitted(ACTING_AT, at, f"a site that {person.name} may act at")
    return other, person


def _person(group: Group, site: Site, console: Device, told: str | None) -> tuple[Site, Person]:
    expected = f"site/name of a person that {console.name} may speak for"
    home, _, name = (told or "").partition("/")
    found = group.person(home, name)
    if found is None or (console.speaks_for != "group" and home != site.name):
        raise NotPermitted(ACTING_PERSON, told, expected)
    return found
