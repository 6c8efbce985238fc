"""Who may reach what: ONE table, from each route to its roles and its scope.

A route without a row here does not start; a test walks them all, for anonymous, for each role, at
the own site and at another.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from schemas.group import Group, Role, Site
from services.console.accounts import Account


class Scope(StrEnum):
    """``OPEN``: anybody. ``PERSON``: whoever is signed in, about themselves. ``SITE``: the path
    names a site, and it must be one of theirs. ``GROUP``: for whoever reaches every site."""

    OPEN = "open"
    PERSON = "person"
    SITE = "site"
    GROUP = "group"


EVERYONE: Final = frozenset(Role)


@dataclass(frozen=True, slots=True)
class Rule:
    """Who may reach a route.

    ``tap``: it shows that a person is there; what a page fetches by itself does not. Taps are
    written into the audit, and keep a session from ending.
    """

    scope: Scope
    roles: frozenset[Role] = EVERYONE
    tap: bool = True


Route = tuple[str, str]
"""A method and a path, as the page declares it."""

_OPEN: Final = Rule(Scope.OPEN, tap=False)
_PERSON: Final = Rule(Scope.PERSON)
_BY_ITSELF: Final = Rule(Scope.PERSON, tap=False)
_SITE: Final = Rule(Scope.SITE)
_AT_PATIENT: Final = frozenset({Role.TECHNICIAN, Role.TRAINEE, Role.VET, Role.LEAD})
_CHAIRSIDE: Final = Rule(Scope.SITE, _AT_PATIENT)
_CHAIRSIDE_BY_ITSELF: Final = Rule(Scope.SITE, _AT_PATIENT, tap=False)
_NOTES: Final = Rule(Scope.SITE, _AT_PATIENT)
_NOTES_BY_ITSELF: Final = Rule(Scope.SITE, _AT_PATIENT, tap=False)
_NOTE_AUTHORS: Final = Rule(Scope.SITE, frozenset({Role.VET, Role.TRAINEE}))
_NOTE_VETS: Final = Rule(Scope.SITE, frozenset({Role.VET}))
_NOTE_RELEASE: Final = Rule(Scope.SITE, frozenset({Role.VET, Role.LEAD}))
_LEAD: Final = frozenset({Role.LEAD})
_OWN_FIGURES: Final = Rule(Scope.PERSON, _LEAD)
_FIGURES: Final = Rule(Scope.SITE, _LEAD)
_ADMIN: Final = Rule(Scope.PERSON, frozenset({Role.ADMIN}))
_ADMIN_BY_ITSELF: Final = Rule(Scope.PERSON, frozenset({Role.ADMIN}), tap=False)
_ADMIN_SITE: Final = Rule(Scope.SITE, frozenset({Role.ADMIN}))
_ADMIN_GROUP: Final = Rule(Scope.GROUP, frozenset({Role.ADMIN}))
_PICTURES: Final = Rule(Scope.SITE, _AT_PATIENT | {Role.BILLING}, tap=False)
_DESK: Final = frozenset({Role.BILLING, Role.LEAD})
_CHARGES: Final = Rule(Scope.SITE, _DESK)
_CHARGES_BY_ITSELF: Final = Rule(Scope.SITE, _DESK, tap=False)

RULES: Final[dict[Route, Rule]] = {
    ("GET", "/static/{name}"): _OPEN,
    ("GET", "/sign-in"): _OPEN,
    ("POST", "/sign-in"): _OPEN,
    ("GET", "/oidc/start"): _OPEN,
    ("GET", "/oidc/callback"): _OPEN,
    ("POST", "/sign-out"): _PERSON,
    ("POST", "/sign-out-everywhere"): _PERSON,
    ("POST", "/switch"): _PERSON,
    ("POST", "/session/stay"): _PERSON,
    ("GET", "/session"): _BY_ITSELF,
    ("GET", "/live"): _BY_ITSELF,
    ("GET", "/"): _PERSON,
    ("GET", "/sites/{site}"): _SITE,
    ("GET", "/sites/{site}/rooms"): _CHAIRSIDE,
    ("GET", "/sites/{site}/rooms/{room}"): _CHAIRSIDE,
    ("GET", "/sites/{site}/rooms/{room}/now"): _CHAIRSIDE_BY_ITSELF,
    ("GET", "/sites/{site}/rooms/{room}/studies/{study}"): _CHAIRSIDE,
    ("GET", "/sites/{site}/rooms/{room}/studies/{study}/now"): _CHAIRSIDE_BY_ITSELF,
    ("POST", "/sites/{site}/rooms/{room}/studies/{study}/taps"): _CHAIRSIDE,
    ("GET", "/sites/{site}/notes"): _NOTES,
    ("GET", "/sites/{site}/notes/now"): _NOTES_BY_ITSELF,
    ("GET", "/sites/{site}/notes/sent"): _NOTES_BY_ITSELF,
    ("GET", "/sites/{site}/notes/{study}"): _NOTES,
    ("GET", "/sites/{site}/notes/{study}/now"): _NOTES_BY_ITSELF,
    ("GET", "/sites/{site}/notes/{study}/standing"): _NOTES_BY_ITSELF,
    ("GET", "/sites/{site}/notes/{study}/print"): _NOTES,
    ("GET", "/sites/{site}/notes/{study}/compare"): _NOTES,
    ("GET", "/sites/{site}/notes/{study}/pictures/{name}"): _PICTURES,
    ("POST", "/sites/{site}/notes/{study}/amend"): _NOTE_AUTHORS,
    ("POST", "/sites/{site}/notes/{study}/sign"): _NOTE_AUTHORS,
    ("POST", "/sites/{site}/notes/{study}/addend"): _NOTE_VETS,
    ("POST", "/sites/{site}/notes/{study}/release"): _NOTE_RELEASE,
    ("GET", "/lead"): _OWN_FIGURES,
    ("GET", "/lead/teach"): _OWN_FIGURES,
    ("GET", "/lead/figures.csv"): _OWN_FIGURES,
    ("GET", "/lead/figures.xlsx"): _OWN_FIGURES,
    ("GET", "/sites/{site}/lead"): _FIGURES,
    ("GET", "/sites/{site}/lead/people"): _FIGURES,
    ("GET", "/sites/{site}/lead/teach"): _FIGURES,
    ("GET", "/sites/{site}/lead/figures.csv"): _FIGURES,
    ("GET", "/sites/{site}/lead/figures.xlsx"): _FIGURES,
    ("GET", "/operations"): _ADMIN,
    ("GET", "/operations/now"): _ADMIN_BY_ITSELF,
    ("GET", "/operations/triage"): _ADMIN,
    ("POST", "/operations/triage/bulk"): _ADMIN,
    ("GET", "/operations/triage/{entry}"): _ADMIN,
    ("POST", "/operations/triage/{entry}/replay"): _ADMIN,
    ("POST", "/operations/triage/{entry}/discard"): _ADMIN,
    ("GET", "/operations/checks"): _ADMIN,
    ("GET", "/operations/checks/now"): _ADMIN_BY_ITSELF,
    ("GET", "/operations/group"): _ADMIN,
    ("GET", "/operations/group/now"): _ADMIN_BY_ITSELF,
    ("GET", "/operations/group/site"): _ADMIN_GROUP,
    ("POST", "/operations/group/site"): _ADMIN_GROUP,
    ("GET", "/operations/sites/{site}/device"): _ADMIN_SITE,
    ("POST", "/operations/sites/{site}/device"): _ADMIN_SITE,
    ("GET", "/charges"): Rule(Scope.PERSON, _DESK),
    ("GET", "/sites/{site}/charges"): _CHARGES,
    ("GET", "/sites/{site}/charges/changed"): _CHARGES_BY_ITSELF,
    ("GET", "/sites/{site}/charges/exceptions/{name}"): _CHARGES,
    ("GET", "/sites/{site}/charges/studies/{study}"): _CHARGES,
    ("POST", "/sites/{site}/charges/confirm"): _CHARGES,
    ("POST", "/sites/{site}/charges/decide"): _CHARGES,
    ("POST", "/sites/{site}/charges/countersign"): Rule(Scope.SITE, frozenset({Role.LEAD})),
    ("POST", "/sites/{site}/charges/release"): _CHARGES,
    ("POST", "/sites/{site}/charges/again"): _CHARGES,
    ("GET", "/sites/{site}/charges/sent"): _CHARGES,
    ("GET", "/sites/{site}/charges/sent/now"): _CHARGES_BY_ITSELF,
    ("GET", "/sites/{site}/charges/month"): _CHARGES,
    ("GET", "/sites/{site}/charges/plots/{name}"): _CHARGES_BY_ITSELF,
    ("GET", "/sites/{site}/charges/export/{name}"): _CHARGES,
}


def sites_of(account: Account, group: Group) -> tuple[Site, ...]:
    """Name the sites whose pages a person may see."""
    return group.sites if account.person.reach == "group" else (account.site,)


def sees_site(account: Account, group: Group, site: str) -> bool:
    """Tell whether a site is one of a person's."""
    return any(one.name == site for one in sites_of(account, group))


def has_role(account: Account, roles: Iterable[Role]) -> bool:
    """Tell whether a person has one of these roles."""
    return not set(roles).isdisjoint(account.person.roles)


def may(account: Account | None, group: Group, rule: Rule, site: str | None) -> bool:
    """Tell whether somebody may reach a route; ``site`` is the one that its path names."""
    if rule.scope is Scope.OPEN:
        return True
    if account is None or not has_role(account, rule.roles):
        return False
    if rule.scope is Scope.PERSON:
        return True
    if rule.scope is Scope.GROUP:
        return account.person.reach == "group"
    return site is not None and sees_site(account, group, site)
