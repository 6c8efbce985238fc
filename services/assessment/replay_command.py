"""``gomphosis replay``: a period's facts in a fresh store; are the assessments the same?"""

import json
import tempfile
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from schemas.errors import GomphosisError
from schemas.group import load_group
from services.assessment.period_options import DAY_FORMAT
from services.assessment.replay import Replayed, replay
from services.assessment.rules import Rules, load_rules
from services.assessment.worker import AssessmentHandler
from services.runtime.cli.exits import Exit, plain_errors, stdout
from services.runtime.migrate import migrate
from services.runtime.operations.database_copy import is_empty
from services.runtime.settings import load_settings
from services.runtime.store import Store

_SHOWN = 50


def replay_period(
    first: Annotated[datetime, typer.Option("--from", formats=[DAY_FORMAT], help="First day.")],
    last: Annotated[datetime, typer.Option("--to", formats=[DAY_FORMAT], help="Last day.")],
    into: Annotated[
        str | None,
        typer.Option("--into", help="URL of an empty database, to keep it; else one for the time."),
    ] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Assess a period's facts once more in a fresh database, and compare each study with what is
    kept. Nothing of what is kept is changed, and nothing is told to anybody.

    Exit code 4 where a study differs: the rules or the version have changed since, or facts were
    let go of. So it also shows what new rules would change before they are put in force.

    Example:  gomphosis replay --from 2026-03-01 --to 2026-03-31
    """
    with plain_errors(), tempfile.TemporaryDirectory() as folder:
        settings = load_settings()
        group = load_group(settings.group_dir)
        rules = {site.name: load_rules(site, settings.group_dir) for site in group.sites}
        source = Store(settings.store_url)
        fresh = Store(into or f"sqlite:///{Path(folder, 'fresh.sqlite')}")
        try:
            if not is_empty(fresh):
                raise GomphosisError("--into: expected an empty database, it has tables")
            migrate(fresh)
            handler = AssessmentHandler(group, rules)
            found = replay(
                source, fresh, handler, first.date(), last.date(), _sum_days(rules.values())
            )
        finally:
            source.close()
            fresh.close()
    differing = [one for one in found if not one.same]
    if json_output:
        typer.echo(json.dumps(_as_json(found, differing), indent=2))
    else:
        _print(found, differing)
    if differing:
        raise typer.Exit(Exit.CHECK_FAILED)


def _sum_days(rules: Iterable[Rules]) -> int:
    """Give how far back the patients' sums reach, at the site where that is farthest."""
    periods = [
        one.limits.per_patient_period.days
        for one in rules
        if one.limits is not None and one.limits.per_patient_period is not None
    ]
    return max(periods, default=0)


def _as_json(found: list[Replayed], differing: list[Replayed]) -> dict[str, Any]:
    return {
        "studies": len(found),
        "identical": len(found) - len(differing),
        "differing": [asdict(one) | {"day": one.day.isoformat()} for one in differing],
    }


def _print(found: list[Replayed], differing: list[Replayed]) -> None:
    stdout.print(f"{len(found)} studies, {len(found) - len(differing)} identical")
    if not differing:
        return
    table = Table("site", "study", "day", "in words", show_edge=False)
    for one in differing[:_SHOWN]:
        words = (
            "only kept: its facts are gone"
            if one.now is None
            else "only now: never assessed before"
            if one.kept is None
            else "differs; see gomphosis study, and what has changed in the rules"
        )
        table.add_row(one.site, one.study_instance_uid, one.day.isoformat(), words)
    stdout.print(table)
    if len(differing) > _SHOWN:
        stdout.print(f"and {len(differing) - _SHOWN} more: --json lists all")
