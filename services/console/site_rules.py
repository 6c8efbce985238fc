"""What a group has set for a site, as far as pages show it: plans, technique chart, positions."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from schemas.group import Group, Site
from schemas.plans import Plan, load_plans
from schemas.protection import MarkedPosition, load_room_protection
from schemas.techniques import TechniqueChart, load_site_chart


@dataclass(frozen=True, slots=True)
class SiteRules:
    """``positions`` are those that the site has marked; none: it has no such file."""

    plans: Mapping[str, Plan] = field(default_factory=dict)
    chart: TechniqueChart | None = None
    positions: tuple[MarkedPosition, ...] = ()


def load_site_rules(group: Group, group_dir: Path) -> dict[str, SiteRules]:
    """Read every site's rules. Raises InvalidInput or PlanError, naming file and field."""
    plans_dir = group_dir / "plans"
    plans = load_plans(plans_dir if plans_dir.is_dir() else None)
    return {site.name: _rules(site, group_dir, plans) for site in group.sites}


def _rules(site: Site, group_dir: Path, plans: Mapping[str, Plan]) -> SiteRules:
    marked = group_dir / "protection" / f"{site.name}.yaml"
    return SiteRules(
        plans,
        load_site_chart(site, group_dir),
        load_room_protection(marked).positions if marked.is_file() else (),
    )
