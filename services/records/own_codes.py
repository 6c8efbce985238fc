"""The codes of a group's own rules that a record may be told: from tariffs, plans and staff."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from schemas.group import Group
from schemas.mappings.record_code import Table
from schemas.people import Role
from schemas.plans import Plan, load_plans
from schemas.tariffs.load import load_tariffs
from schemas.teeth import Dentition, Species, teeth_of
from services.runtime.settings import Settings


@dataclass(frozen=True, slots=True)
class OwnCodes:
    """``needed``: what will be posted in the ordinary course; ``known``: all that exists here.

    A plan that is made for one order alone (a single tooth) is known and not needed.
    """

    needed: Mapping[Table, Collection[str]]
    known: Mapping[Table, Collection[str]]
    rooms: Collection[str]


def own_codes(settings: Settings, group: Group, ordered: Iterable[str] = ()) -> OwnCodes:
    """Gather them; ``ordered`` are the plans that the record's order codes mean.

    Raises InvalidInput or PlanError for rules that cannot be read.
    """
    folder = settings.group_dir / "plans"
    plans = load_plans(folder if folder.is_dir() else None)
    wanted = set(ordered)
    usual = [one for one in plans.values() if not one.on_request_only or one.code in wanted]
    sites = [site.name for site in group.sites]
    people = [person for site in group.sites for person in site.people]
    charges = _charge_codes(settings, group)
    own = {Table.CHARGES: charges, Table.SITES: sites, Table.DEPARTMENTS: sites}
    signers = [person.name for person in people if Role.VET in person.roles]
    every_tooth = {
        str(tooth)
        for one in Species
        for dentition in Dentition
        for tooth in teeth_of(one, dentition)
    }
    known = _of_plans(plans.values()) | {Table.TEETH: every_tooth}
    return OwnCodes(
        needed=own | {Table.STAFF: signers} | _of_plans(usual),
        known=own | {Table.STAFF: [person.name for person in people]} | known,
        rooms=sorted({room for site in group.sites for room in site.rooms}),
    )


def _of_plans(plans: Iterable[Plan]) -> dict[Table, set[str]]:
    chosen = list(plans)
    views = [view for plan in chosen for view in (*plan.views, *plan.substitutes)]
    return {
        Table.PLANS: {plan.code for plan in chosen},
        Table.SPECIES: {plan.species.value for plan in chosen},
        Table.VIEWS: {view.code for view in views},
        Table.TEETH: {str(tooth) for view in views for tooth in view.teeth},
    }


def _charge_codes(settings: Settings, group: Group) -> set[str]:
    """Give every code that a tariff of one of the sites may charge, in any of its versions."""
    folder = settings.group_dir / "tariffs"
    book = load_tariffs(folder if folder.is_dir() else None)
    tariffs = {site.tariff for site in group.sites if site.tariff in book}
    return {code for name in tariffs for one in book.versions[name] for code in one.articles}
