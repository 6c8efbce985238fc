"""``gomphosis room-protection``: workload of each X-ray set, an estimate for marked positions."""

import json
from collections import Counter
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table
from sqlalchemy import Connection, func, select

from schemas.group import Site, load_group
from schemas.protection import (
    PublishedProtection,
    RoomProtection,
    load_published_protection,
    load_room_protection,
)
from services.assessment.dose_ledger import DOSE
from services.assessment.period_options import FROM, SITE, TO
from services.assessment.room_loads import loads_between
from services.assessment.room_workload import (
    CAUTION,
    PositionEstimate,
    TubeWorkload,
    estimate_position,
    workloads,
)
from services.assessment.rules import load_rules
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


@dataclass(frozen=True, slots=True)
class SiteProtection:
    """What is to say of one site. ``marked`` is None where the site has no file of positions;
    ``people_checks`` counts the studies by what the readiness check says of the people."""

    site: str
    first: date
    last: date
    tubes: tuple[TubeWorkload, ...]
    marked: RoomProtection | None
    estimates: tuple[PositionEstimate, ...]
    people_checks: dict[str, int]


def show_room_protection(
    first: Annotated[datetime, FROM],
    last: Annotated[datetime, TO],
    site: Annotated[str | None, SITE] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show workload by week, and what scatter may come to where people stand.

    An estimate from published values, not a dosimeter; a qualified expert decides. Positions
    stand in the group's own protection/<site>.yaml. Exit code 2: the period is the wrong way
    round. 3: no such site.

    Example: gomphosis room-protection --from 2026-01-01 --to 2026-06-30 --site north
    """
    begin, end = first.date(), last.date()
    if end < begin:
        stderr.print(f"--to {end}: expected a day from {begin} on", markup=False)
        raise typer.Exit(Exit.WRONG_USE)
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        sites = [one for one in group.sites if site is None or one.name == site]
        if not sites:
            names = ", ".join(one.name for one in group.sites)
            stderr.print(f"--site {site}: expected one of {names}", markup=False)
            raise typer.Exit(Exit.NOT_FOUND)
        published = load_published_protection()
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                found = [
                    _protection(connection, one, settings.group_dir, published, begin, end)
                    for one in sites
                ]
        finally:
            opened.close()
    if json_output:
        typer.echo(json.dumps(as_json(found, published), indent=2))
        return
    for one in found:
        _print(one)
    stdout.print(CAUTION, markup=False)


def _protection(
    connection: Connection,
    site: Site,
    group_dir: Path,
    published: PublishedProtection,
    first: date,
    last: date,
) -> SiteProtection:
    file = group_dir / "protection" / f"{site.name}.yaml"
    marked = load_room_protection(file) if file.is_file() else None
    rules = load_rules(site, group_dir)
    tubes = workloads(loads_between(connection, site, rules, first, last), first, last)
    return SiteProtection(
        site=site.name,
        first=first,
        last=last,
        tubes=tubes,
        marked=marked,
        estimates=tuple(
            estimate_position(position, tubes, published)
            for position in (marked.positions if marked is not None else ())
        ),
        people_checks=_people_checks(connection, site.name, first, last),
    )


_CHECKED = {True: "confirmed outside the beam", False: "not outside the beam", None: "not told"}


def _people_checks(connection: Connection, site: str, first: date, last: date) -> dict[str, int]:
    """Count the studies with an exposure by what the last readiness check says of the people."""
    query = (
        select(DOSE.c.people_checked, func.count())
        .where(DOSE.c.site == site, DOSE.c.day.between(first, last), DOSE.c.exposure_count > 0)
        .group_by(DOSE.c.people_checked)
    )
    counts: Counter[str] = Counter()
    for checked, count in connection.execute(query):
        counts[_CHECKED[checked]] += count
    return dict(counts)


def as_json(found: list[SiteProtection], published: PublishedProtection) -> dict[str, Any]:
    """Lay it out for a script."""
    return {
        "caution": CAUTION,
        "published": published.model_dump(mode="json"),
        "sites": [
            {
                "site": one.site,
                "first": one.first.isoformat(),
                "last": one.last.isoformat(),
                "tubes": [asdict(tube) for tube in one.tubes],
                "positions_basis": one.marked.basis if one.marked is not None else None,
                "positions": [
                    asdict(estimate) | {"position": estimate.position.model_dump(mode="json")}
                    for estimate in one.estimates
                ],
                "people_checks": one.people_checks,
            }
            for one in found
        ],
    }


def _print(found: SiteProtection) -> None:
    stdout.print(f"{found.site}, {found.first} to {found.last}", markup=False)
    if not found.tubes:
        stdout.print("No exposure was told in this period.")
    else:
        heads = ("room", "set", "exposures", "mA·min a week", "busiest week", "mGy·cm² a week")
        table = Table(*heads, show_edge=False)
        for tube in found.tubes:
            kap = tube.kap_mgycm2_per_week
            cells = (
                tube.room,
                tube.generator,
                str(tube.exposures),
                f"{tube.ma_min_per_week:.3g}",
                f"{tube.ma_min_busiest_week:.3g}",
                f"{kap:.4g}" if kap is not None else "not known",
            )
            table.add_row(*(escape(cell) for cell in cells))
        stdout.print(table)
    checks = ", ".join(f"{count} {what}" for what, count in sorted(found.people_checks.items()))
    stdout.print(f"People before the exposures, by study: {checks or 'no study'}", markup=False)
    if found.marked is None:
        name = f"protection/{found.site}.yaml"
        stdout.print(f"No position is marked ({name} of the group's folder): no estimate.")
    else:
        if found.marked.basis == "invented":
            stdout.print("The marked positions are invented: they show the form.")
        for estimate in found.estimates:
            _print_estimate(estimate)
    stdout.print()


def _print_estimate(one: PositionEstimate) -> None:
    place = one.position
    lines = [
        f"{place.room}, {place.name} ({place.who}), {place.distance_m:g} m at "
        f"{place.angle_degrees:g} degrees; there for {place.occupancy:.0%} of the exposures "
        f"({place.occupancy_basis}); {place.transmission:.0%} let through "
        f"({place.transmission_basis})"
    ]
    if one.msv_per_year is not None:
        lines.append(
            f"  estimate {one.msv_per_year:.2g} mSv a year, upper end {one.upper_msv_per_year:.2g}"
        )
    if one.second_msv_per_year is not None:
        lines.append(
            f"  by another published amount, from the charge: {one.second_msv_per_year:.2g}"
        )
    for limit in one.compared:
        lines.append(
            f"  beside {limit.msv_per_year:g} mSv a year: {limit.share:.1%}, upper end "
            f"{limit.upper_share:.1%} ({limit.source})"
        )
        if limit.hour_words is not None:
            lines.append(f"    {limit.hour_words}")
    lines += [f"  {'as asked' if c.met else 'NOT as asked'}: {c.words}" for c in one.checks]
    lines += [f"  {words}" for words in one.words]
    for line in lines:
        stdout.print(line, markup=False)
