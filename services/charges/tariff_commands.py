"""``gomphosis check-tariff`` and ``gomphosis price-again``: a tariff before it is used."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from schemas.conclusions import ChargeLine
from schemas.errors import InvalidInput
from schemas.group import Group, load_group
from schemas.plans import Plan, load_plans
from schemas.tariffs import Tariff, read_tariff
from services.charges import store
from services.charges.dry_run import DryRun, dry_run
from services.charges.pricing import price
from services.charges.tariff_changes import Changes, changes
from services.charges.tariff_check import Finding, Weight, check_tariff
from services.runtime.cli.exits import Exit, plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

_DAY = "%Y-%m-%d"


def check_tariff_file(
    file: Annotated[Path, typer.Argument(help="The tariff, a YAML file.")],
    against: Annotated[
        Path | None, typer.Option("--against", help="Another version, to compare prices with.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Check a tariff: rules that never count or cross, views without a price, and more.

    Exit code 4 where something in it can never do what it says. Nothing is charged or changed.

    Example:  gomphosis check-tariff tariffs/2027.yaml --against tariffs/2026.yaml
    """
    with plain_errors():
        tariff = read_tariff(file)
        findings = check_tariff(tariff, _plans())
        found = changes(read_tariff(against), tariff) if against is not None else None
    if as_json:
        compared = None if found is None else _changes_as_json(found)
        told = {"findings": [asdict(one) for one in findings], "changes": compared}
        typer.echo(json.dumps(told, indent=2))
    else:
        _print_check(tariff, findings, found)
    if any(one.weight is Weight.WRONG for one in findings):
        raise typer.Exit(Exit.CHECK_FAILED)


def price_again(
    tariff: Annotated[Path, typer.Option("--tariff", help="The tariff to try, a YAML file.")],
    first: Annotated[
        datetime | None,
        typer.Option("--from", formats=[_DAY], help="First day; last month's where left out."),
    ] = None,
    last: Annotated[
        datetime | None,
        typer.Option("--to", formats=[_DAY], help="Last day; last month's where left out."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Price a period's studies by another tariff and show the difference for each code.

    A dry run: nothing is charged, posted or kept. The days for which the tariff holds are left
    out of account.

    Example:  gomphosis price-again --tariff tariffs/2027.yaml --from 2026-12-01 --to 2026-12-31
    """
    with plain_errors():
        settings = load_settings()
        tried = read_tariff(tariff)
        begin, end = _period(first, last)
        group = load_group(settings.group_dir)
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            run = dry_run(_lines(opened, group, tried, begin, end))
        finally:
            opened.close()
    if as_json:
        typer.echo(json.dumps(_run_as_json(run, tried, begin, end), indent=2))
    else:
        _print_run(run, tried, begin, end)


def _plans() -> dict[str, Plan]:
    folder = load_settings().group_dir / "plans"
    return load_plans(folder if folder.is_dir() else None)


def _period(first: datetime | None, last: datetime | None) -> tuple[date, date]:
    """Give the period; last month where neither day is told."""
    end_of_last = datetime.now(UTC).date().replace(day=1) - timedelta(days=1)
    end = last.date() if last is not None else end_of_last
    begin = first.date() if first is not None else end.replace(day=1)
    if begin > end:
        raise InvalidInput("--from", begin.isoformat(), f"a day not after --to, {end}")
    return begin, end


def _lines(
    opened: Store, group: Group, tried: Tariff, first: date, last: date
) -> Iterator[tuple[tuple[ChargeLine, ...], tuple[ChargeLine, ...]]]:
    always = tried.model_copy(update={"valid_from": date.min, "valid_to": None})
    terms = {site.name: (always.at(site.name), site.zone) for site in group.sites}
    with opened.read() as connection:
        for site, assessment, charged in store.priced_studies(connection, first, last):
            if charged.currency != tried.currency:
                expected = f"{charged.currency}, in which these studies were charged"
                raise InvalidInput(f"{tried.code}: currency", tried.currency, expected)
            if site not in terms:
                raise InvalidInput("site", site, "one of the group's sites, to price its studies")
            yield charged.lines, price(assessment, *terms[site]).lines


def _changes_as_json(found: Changes) -> dict[str, Any]:
    return {
        "prices": [
            {
                "code": one.code,
                "before": _text(one.before),
                "after": _text(one.after),
                "percent": _text(one.percent),
            }
            for one in found.prices
        ],
        "words": list(found.words),
    }


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _print_check(tariff: Tariff, findings: tuple[Finding, ...], found: Changes | None) -> None:
    until = f"to {tariff.valid_to}" if tariff.valid_to is not None else "on"
    stdout.print(
        f"{tariff.code}, from {tariff.valid_from} {until}: {len(tariff.views)} rules for views, "
        f"{len(tariff.bundles)} bundles, {len(tariff.articles)} articles, {tariff.currency}",
        markup=False,
    )
    if findings:
        table = Table("", "what", "where", "in words", show_edge=False)
        for one in findings:
            table.add_row(one.weight.value, one.kind.value, one.where, one.words)
        stdout.print(table)
    else:
        stdout.print("Nothing odd was found.")
    if found is None:
        return
    if found.prices:
        table = Table("code", "before", "after", "change", show_edge=False)
        for change in found.prices:
            percent = f"{change.percent:+} %" if change.percent is not None else ""
            table.add_row(
                change.code, _text(change.before) or "new", _text(change.after) or "gone", percent
            )
        stdout.print(table)
    for words in found.words or (() if found.prices else ("No price changes.",)):
        stdout.print(words, markup=False)


def _run_as_json(run: DryRun, tried: Tariff, first: date, last: date) -> dict[str, Any]:
    return {
        "tariff": tried.code,
        "currency": tried.currency,
        "from": first.isoformat(),
        "to": last.isoformat(),
        "studies": run.studies,
        "dearer": run.dearer,
        "cheaper": run.cheaper,
        "before": str(run.before),
        "after": str(run.after),
        "difference": str(run.difference),
        "codes": {
            code: {
                "quantity_before": sums.quantity_before,
                "quantity_after": sums.quantity_after,
                "before": str(sums.before),
                "after": str(sums.after),
                "difference": str(sums.difference),
            }
            for code, sums in sorted(run.by_code.items())
        },
    }


def _print_run(run: DryRun, tried: Tariff, first: date, last: date) -> None:
    stdout.print(
        f"{run.studies} studies from {first} to {last} by {tried.code}, in {tried.currency}; "
        "a dry run, nothing is charged",
        markup=False,
    )
    table = Table("code", "lines", "would be", "amount", "would be", "difference", show_edge=False)
    for code, sums in sorted(run.by_code.items()):
        table.add_row(
            code,
            str(sums.quantity_before),
            str(sums.quantity_after),
            str(sums.before),
            str(sums.after),
            f"{sums.difference:+}",
        )
    table.add_row("all", "", "", str(run.before), str(run.after), f"{run.difference:+}")
    stdout.print(table)
    same = run.studies - run.dearer - run.cheaper
    stdout.print(
        f"{run.dearer} studies would cost more, {run.cheaper} less, {same} the same", markup=False
    )
