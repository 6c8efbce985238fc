"""``gomphosis reject-rates``: how many images are rejected and repeated, and by what."""

import json
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.quality import RejectTargets, load_reject_targets
from schemas.quality.rated import rated_images
from schemas.quality.rates import By, Rate, RatedImage, Rates, Verdict, rates_of
from services.assessment.period_options import FROM, SITE, TO, day_of
from services.assessment.study_period import studies_between
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_reject_rates(
    site: Annotated[str | None, SITE] = None,
    first: Annotated[datetime | None, FROM] = None,
    last: Annotated[datetime | None, TO] = None,
    by: Annotated[
        By | None, typer.Option("--by", help="Beside the whole, each of these by itself.")
    ] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show reject and repeat rates with 95 % intervals, against published targets.

    Targets are from the imaging of people. Groups with fewer images than an audit wants are shown
    and not judged. Training studies are left out.

    Example: gomphosis reject-rates --from 2026-01-01 --to 2026-06-30 --by view
    """
    with plain_errors():
        settings = load_settings()
        targets = load_reject_targets()
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                begin, end = day_of(first), day_of(last)
                images = [
                    image
                    for _, study in studies_between(connection, site, begin, end)
                    for image in rated_images(study)
                ]
        finally:
            opened.close()
    found = rates_of(images, targets, by)
    if json_output:
        typer.echo(json.dumps(as_json(found, targets), indent=2))
    else:
        _print(found, targets, images)


def as_json(found: tuple[Rates, ...], targets: RejectTargets) -> dict[str, Any]:
    """Lay the figures out for a script."""
    return {
        "targets": targets.model_dump(mode="json"),
        "rates": [
            asdict(rates)
            | {
                "rejects": asdict(rates.rejects) | {"share": rates.rejects.share},
                "repeats": asdict(rates.repeats) | {"share": rates.repeats.share},
            }
            for rates in found
        ],
    }


def _print(found: tuple[Rates, ...], targets: RejectTargets, images: list[RatedImage]) -> None:
    if not images:
        stdout.print("No image stands in this period.")
        return
    days = [image.day for image in images]
    stdout.print(f"{len(images)} images, {min(days)} to {max(days)}", markup=False)
    table = Table("group", "rejected", "repeated", "reasons", "trend", show_edge=False)
    for rates in found:
        reasons = ", ".join(f"{reason}: {count}" for reason, count in rates.reasons.items())
        trend = rates.trend.words if rates.trend is not None else "not told"
        cells = (rates.group, _words(rates.rejects), _words(rates.repeats), reasons, trend)
        table.add_row(*(escape(cell) for cell in cells))
    stdout.print(table)
    stdout.print()
    for target in targets.targets:
        memory = ", from memory" if target.basis == "memory" else ""
        stdout.print(
            f"{target.meaning} at {target.rate:.0%} ({target.source.rstrip('.')}{memory})",
            markup=False,
        )
        judged = [r for r in found if r.verdicts[target.name] is not Verdict.TOO_FEW]
        for rates in judged:
            stdout.print(f"  {rates.group}: {_VERDICT_WORDS[rates.verdicts[target.name]]}")
        if left := len(found) - len(judged):
            who = "1 group is" if left == 1 else f"{left} groups are"
            stdout.print(f"  {who} not judged: fewer than {targets.least_images} images")
    stdout.print(targets.note, markup=False)


def _words(rate: Rate) -> str:
    return f"{rate.count} of {rate.images}: {rate.share:.1%} ({rate.low:.1%} to {rate.high:.1%})"


_VERDICT_WORDS = {
    Verdict.WITHIN: "within it, with the whole interval",
    Verdict.ABOVE: "above it, with the whole interval",
    Verdict.NOT_CERTAIN: "not certain: it lies in the interval",
}
