"""A lead's visit: the question in its address, who may be named, and what the form offers."""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

from fastapi import Query
from pydantic import BaseModel, Field

from schemas.errors import InvalidInput
from schemas.plans import Plan
from schemas.plans.model import Scope
from schemas.quality import load_reject_targets
from schemas.teeth import Species
from services.console.access import RULES, may
from services.console.lead.asked import NARROWED, OF_A_SITE, LeadAsked, usual_periods
from services.console.lead.files import CAUTIONS
from services.console.lead.names import Names, view_names
from services.console.site_rules import SiteRules
from services.console.troubles import Trouble
from services.console.views_lead import MOST_SITE_DAYS, By
from services.console.visit import Visit

PEOPLE: Final = "/sites/{site}/lead/people"
"""Whoever may reach this route may see figures under people's names, on every page and file."""
TARGETS: Final = load_reject_targets()
_WHOLE: Final = Scope.FULL_MOUTH
_Word = Annotated[str, Field(max_length=64)]


class Told(BaseModel):
    """The question as it stands in an address. Empty: not asked for."""

    first: date | None = None
    last: date | None = None
    by: By = By.VIEW
    operator: _Word = ""
    device: _Word = ""
    view: _Word = ""
    species: _Word = ""
    after: Annotated[str | None, Field(max_length=400)] = None


TellsQuestion = Annotated[Told, Query()]


def asked_of(visit: Visit, told: Told) -> LeadAsked:
    """Put the question together (Trouble 422 or 403).

    Without a site in the path it is about all sites, or the one of a person who sees one only.
    """
    account = visit.person.account
    named = visit.request.path_params.get("site")
    if named is None and account.person.reach != "group":
        named = account.site.name
    usual = usual_periods(today_at(visit))[0]
    only = {name: getattr(told, name) for name in NARROWED if getattr(told, name)}
    first, last = told.first or usual.first, told.last or usual.last
    try:
        asked = LeadAsked(first, last, told.by, named, only, told.after)
    except InvalidInput as error:
        raise Trouble(422, f"Nothing is shown: {error}.") from error
    if asked.names_people and asked.site is not None and not may_name_people(visit, asked.site):
        raise Trouble(
            403,
            "Figures under the names of people are not for your role here.",
            "Look at the figures by view, device or species.",
        )
    return asked


def today_at(visit: Visit) -> date:
    """Give the day that it is at the site, or at the person's own."""
    zone = visit.site.zone if visit.site is not None else UTC
    return datetime.now(UTC).astimezone(zone).date()


def may_name_people(visit: Visit, site: str | None) -> bool:
    """Tell whether people of a site may be named, by the one table of access."""
    account, group = visit.person.account, visit.console.group
    return site is not None and may(account, group, RULES["GET", PEOPLE], site)


def names_of(visit: Visit, asked: LeadAsked) -> Names:
    """Give the words for what is asked."""
    return Names(visit.console.group, plans_of(visit, asked.site), asked.site)


def plans_of(visit: Visit, site: str | None) -> Mapping[str, Plan]:
    """Give the plans of a site; of the whole group those that come first."""
    rules = visit.console.rules
    own = rules.get(site) if site is not None else next(iter(rules.values()), None)
    return (own or SiteRules()).plans


def form_of(visit: Visit, asked: LeadAsked) -> dict[str, Any]:
    """What the form and the head of both pages need."""
    people = may_name_people(visit, asked.site)
    kinds = [
        one
        for one in By
        if not (asked.site is None and one in OF_A_SITE)
        and not (asked.site is not None and one is By.SITE)
        and not (one is By.OPERATOR and not people)
    ]
    site = visit.console.group.site(asked.site) if asked.site is not None else None
    plans = plans_of(visit, asked.site)
    titles = view_names(plans)
    views = {one.code for plan in plans.values() for one in plan.views if plan.scope is _WHOLE}
    views |= {asked.only["view"]} if "view" in asked.only else set()
    return {
        "asked": asked,
        "kinds": [(one.value, KIND_WORDS[one]) for one in kinds],
        "kind_words": KIND_WORDS[asked.by],
        "periods": [
            (one.words, asked.address(first=one.first, last=one.last), one)
            for one in usual_periods(today_at(visit))
        ],
        "of_site": site,
        "sites_address": asked.address(by=By.SITE, only={}),
        "sees_all": visit.person.account.person.reach == "group",
        "choices": {
            "operator": [(one.name, one.title) for one in site.people] if site and people else [],
            "device": [(one.name, one.name) for one in site.devices] if site else [],
            "view": [(code, titles.get(code, code)) for code in sorted(views)] if site else [],
            "species": [(one.value, one.value) for one in Species] if site else [],
        },
        "targets": TARGETS,
        "cautions": CAUTIONS,
    }


KIND_WORDS: Final = {
    By.ALL: "all together",
    By.SITE: "site",
    By.TIME: "month or day",
    By.OPERATOR: "person",
    By.DEVICE: "device",
    By.VIEW: "view",
    By.SPECIES: "species",
}


def too_dear(error: InvalidInput, asked: LeadAsked) -> dict[str, Any]:
    """Say in plain words why nothing is summed, and what can be."""
    if error.field == "after":
        happened = "The place in the list that the address names is not one that a page gave."
    elif error.field == "sites":
        happened = "People and devices are counted for one site at a time: their names are its own."
    elif asked.site is None:
        happened = (
            "Over all sites only whole months are summed, and not narrowed further: single days "
            "of so many sites would take too long for a page."
        )
    else:
        happened = (
            f"{asked.days} single days would have to be summed. A page takes at most "
            f"{MOST_SITE_DAYS}; whole months, not narrowed further, may be as many as you like."
        )
    return {"happened": happened, "links": asked.easier()}
