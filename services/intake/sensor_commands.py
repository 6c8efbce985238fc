"""``gomphosis sensors``: what each sensor has done, when it is due for its test, where it is."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table
from sqlalchemy import Connection, select

from schemas.facts import ExposureEnded, ImageStored
from schemas.group import Site, load_group
from schemas.messages import parse
from services.intake.sensors import KINDS, Fact, SensorWear, wear_of
from services.intake.store import FACT
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

_PAGE = 1_000
_MANY = (ExposureEnded.KIND, ImageStored.KIND)
_NAMES_A_SENSOR = b'"sensor":"'
"""As our own messages are written; read before a message is parsed, since most name none."""


def show_sensors(
    site: Annotated[str | None, typer.Option(help="One site only.")] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show every sensor: exposures, patients, covers, faults, constancy tests, and its room.

    What is due follows from the site's own rule (test_every_days in group.yaml). No maker's limit
    is known here, and nothing is judged.

    Example: gomphosis sensors --site north
    """
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        sites = [group.site(site)] if site else list(group.sites)
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                found = [(one, _wear(connection, one)) for one in sites]
        finally:
            opened.close()
    if json_output:
        shown = [_as_json(one, wear) for one, wears in found for wear in wears]
        typer.echo(json.dumps(shown, indent=2, default=_plain))
        return
    for one, wears in found:
        stdout.print(f"{one.name}: {'no sensor is listed or named' if not wears else ''}".rstrip())
        if wears:
            _print(wears)


def _wear(connection: Connection, site: Site) -> tuple[SensorWear, ...]:
    return wear_of(site, facts_of_sensors(connection, site), datetime.now(site.zone).date())


def facts_of_sensors(connection: Connection, site: Site) -> Iterator[Fact]:
    """Give the facts of a site that tell of its sensors, in no order; images that name none go."""
    query = select(FACT.c.kind, FACT.c.body).where(FACT.c.site == site.name, FACT.c.kind.in_(KINDS))
    rows = connection.execution_options(yield_per=_PAGE).execute(query)
    for row in rows:
        if row.kind not in _MANY or _NAMES_A_SENSOR in row.body:
            yield parse(row.body)


def _as_json(site: Site, wear: SensorWear) -> dict[str, Any]:
    return {"site": site.name, **asdict(wear), "words": wear.words}


def _plain(value: Any) -> str:
    return str(value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value)


def _print(wears: tuple[SensorWear, ...]) -> None:
    table = Table(
        "sensor", "room", "exposures", "images", "patients", "covers", "faults", "last test",
        "next due", "to look at", show_edge=False,
    )  # fmt: skip
    for wear in wears:
        table.add_row(
            *(
                escape(cell)
                for cell in (
                    wear.sensor,
                    wear.room or "not told",
                    str(wear.exposures),
                    str(wear.images),
                    str(wear.patients),
                    str(wear.covers),
                    str(len(wear.faults)),
                    _test(wear),
                    _due(wear),
                    "; ".join(wear.words),
                )
            )
        )
    stdout.print(table)


def _test(wear: SensorWear) -> str:
    if wear.last_test is None:
        return "never"
    return f"{wear.last_test.at:%Y-%m-%d}, {'passed' if wear.last_test.passed else 'not passed'}"


def _due(wear: SensorWear) -> str:
    if wear.test_every_days is None:
        return "no rule"
    return "now" if wear.test_due is None else str(wear.test_due)
