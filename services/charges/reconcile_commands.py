"""``gomphosis reconcile``: imaged against posted against held, explained and balanced."""

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.group import load_group
from schemas.reconciliation import load_reconciliation_rules
from services.charges import audit_chain
from services.charges.compared import Class
from services.charges.exceptions import aging
from services.charges.reconciling import Reconciler
from services.charges.report_rows import LINE_HEADS, TOTAL_HEADS
from services.charges.site_report import SiteReport, site_reports
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.sheets import SheetError, write_csv, write_workbook
from services.runtime.store import Store


def show_reconciliation(
    site: Annotated[str, typer.Option("--site", help="The site.")],
    day: Annotated[
        datetime | None, typer.Option("--day", formats=["%Y-%m-%d"], help="One day.")
    ] = None,
    month: Annotated[
        datetime | None, typer.Option("--month", formats=["%Y-%m"], help="A whole month.")
    ] = None,
    csv_path: Annotated[
        Path | None, typer.Option("--csv", help="Write the lines there; - for standard output.")
    ] = None,
    xlsx_path: Annotated[
        Path | None, typer.Option("--xlsx", help="Write a workbook there, with all sheets.")
    ] = None,
    all_lines: Annotated[
        bool, typer.Option("--all", help="Matched lines too, not exceptions only.")
    ] = False,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Compare what was imaged with what was posted and what the record holds.

    Lists what a person has to settle, and proves by control totals that no cent is unexplained.
    The record is as it was read last; `gomphosis read-back` reads it anew.

    Example: gomphosis reconcile --site north --month 2026-03 --xlsx march.xlsx
    """
    if (day is None) == (month is None):
        stderr.print("--day, --month: expected one of the two")
        raise typer.Exit(Exit.WRONG_USE)
    with plain_errors():
        first, last = period_of(day, month)
        settings = load_settings()
        group = load_group(settings.group_dir)
        today = datetime.now(group.site(site).zone).date()
        rules = load_reconciliation_rules(settings.group_dir)
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                reports = site_reports(
                    connection, Reconciler(group, rules), site, first, last, today
                )
                head = audit_chain.head(connection, site)
        finally:
            opened.close()
        _write(reports, head, csv_path, xlsx_path, all_lines=all_lines)
        if json_output:
            typer.echo(json.dumps(as_json(reports, head, all_lines=all_lines), default=str))
        elif csv_path is None or str(csv_path) != "-":
            _print(reports, site, first, last)


def period_of(day: datetime | None, month: datetime | None) -> tuple[date, date]:
    """Give the first and the last day of what was asked for."""
    if day is not None:
        return day.date(), day.date()
    if month is None:
        raise ValueError("expected a day or a month")
    first = month.date().replace(day=1)
    following = (first + timedelta(days=32)).replace(day=1)
    return first, following - timedelta(days=1)


def as_json(
    reports: Sequence[SiteReport], head: audit_chain.Head, *, all_lines: bool
) -> dict[str, Any]:
    """Lay reports out for a script."""
    return {
        "audit_head": str(head),
        "currencies": [
            {
                "site": report.site,
                "currency": report.currency,
                "lines": [
                    dict(zip(LINE_HEADS, row, strict=True))
                    for row in report.line_rows(only_exceptions=not all_lines)
                ],
                "totals": [dict(zip(TOTAL_HEADS, row, strict=True)) for row in report.total_rows()],
                "aging": aging(report.exceptions),
                "summary": asdict(report.summary),
            }
            for report in reports
        ],
    }


def _write(
    reports: Sequence[SiteReport],
    head: audit_chain.Head,
    csv_path: Path | None,
    xlsx_path: Path | None,
    *,
    all_lines: bool,
) -> None:
    if csv_path is not None:
        rows = (row for one in reports for row in one.line_rows(only_exceptions=not all_lines))
        if str(csv_path) == "-":
            write_csv(sys.stdout, LINE_HEADS, rows)
        else:
            try:
                with csv_path.open("w", encoding="utf-8-sig", newline="") as file:
                    write_csv(file, LINE_HEADS, rows)
            except OSError as error:
                raise SheetError(f"{csv_path}: expected to write there ({error})") from error
    if xlsx_path is not None:
        summaries = [(one.currency, *row) for one in reports for row in one.summary_rows()]
        summaries.append(("", "audit head", str(head), None))
        write_workbook(
            xlsx_path,
            (
                ("exceptions", LINE_HEADS,
                 (row for one in reports for row in one.line_rows(only_exceptions=True))),
                ("lines", LINE_HEADS,
                 (row for one in reports for row in one.line_rows(only_exceptions=False))),
                ("control totals", TOTAL_HEADS,
                 (row for one in reports for row in one.total_rows())),
                ("summary", ("currency", "what", "number", "amount"), summaries),
            ),
        )  # fmt: skip


def _print(reports: Sequence[SiteReport], site: str, first: date, last: date) -> None:
    if not reports:
        stdout.print(f"{site}, {first} to {last}: nothing was imaged, posted or held.")
    for report in reports:
        total = report.total
        stdout.print(f"{site}, {first} to {last}, {report.currency}", markup=False)
        stdout.print(
            f"images: {total.images_seen} seen = {total.images_charged} charged + "
            f"{total.images_not_charged} not charged, each with its reason",
            markup=False,
        )
        told = [(kind, total.differences.get(kind)) for kind in Class]
        differences = " ".join(
            f"{'-' if amount < 0 else '+'} {abs(amount)} {kind.value}"
            for kind, amount in told
            if amount
        )
        for words in (
            f"priced {total.priced} - not due yet {total.not_due} = due {total.due}",
            f"due {total.due} + corrections {total.corrections} = posted {total.posted} "
            f"+ open {total.open}",
            f"posted {total.posted} {differences or '+ no difference'} = held {total.held}",
        ):
            stdout.print(words, markup=False)
        _print_exceptions(report)
        for what, count, amount in report.summary_rows():
            stdout.print(f"{what}: {count}{'' if amount is None else f', {amount}'}", markup=False)


def _print_exceptions(report: SiteReport) -> None:
    if not report.exceptions:
        stdout.print("Nothing to settle.")
        return
    table = Table("exception", "day", "patient", "class", "at stake", "status", "actions",
                  "reason", show_edge=False)  # fmt: skip
    for one in report.exceptions:
        cells = (
            one.id,
            str(one.finding.day),
            one.finding.patient,
            one.finding.kind.value,
            f"{one.at_stake}{' (four eyes)' if one.needs_second else ''}",
            one.status.value,
            " ".join(one.actions),
            one.finding.reason,
        )
        table.add_row(*(escape(cell) for cell in cells))
    stdout.print(table)
