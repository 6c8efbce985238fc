"""A month of a thousand hospitals reconciled, site by site, on two cores."""

from __future__ import annotations

import io
import resource
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from multiprocessing import get_context
from typing import NamedTuple

from schemas.facts import RecordLine, RecordLinesRead
from schemas.facts.record_lines import MAX_LINES_IN_PART
from schemas.reconciliation import load_reconciliation_rules
from services.charges.books_store import held_of
from services.charges.compared import Held, SiteBooks
from services.charges.control_totals import control_totals, sum_totals
from services.charges.exceptions import worklist
from services.charges.reconcile import reconcile
from services.charges.report_rows import LINE_HEADS, line_row
from services.runtime.sheets import write_csv
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.workplace import Workplace
from tests.simulated_records.conditions import Conditions
from tests.simulated_records.month import SimulatedMonth, simulate

PROCESSES = 2
OURS = "gomphosis"
CONDITIONS = Conditions(studies_a_day=16)
READ_AT = datetime(2026, 4, 2, tzinfo=UTC)
RULES = load_reconciliation_rules()


class Told(NamedTuple):
    """What one site's month came to. ``memory_mb`` is the most its process ever held."""

    lines: int
    exceptions: int
    seconds: float
    memory_mb: float
    concluded: Decimal
    held: Decimal


def measure(options: Options, place: Workplace) -> Figure:
    """Reconcile the sites in two processes; the simulation is not in the time that counts."""
    del place
    figure = Figure("reconcile", "a month of hospitals: lines reconciled per second", rates=True)
    sites = options.choose(1_000, 6)
    # One round: it is long, and there is no peer to take turns with.
    with get_context("spawn").Pool(PROCESSES) as pool:
        told = list(pool.imap_unordered(one_site, range(sites)))
    if any(one.concluded != one.held for one in told):
        raise BenchError("a site's totals do not balance")
    lines = sum(one.lines for one in told)
    exceptions = sum(one.exceptions for one in told)
    seconds = sum(one.seconds for one in told) / PROCESSES
    for setting, unit, value in (
        ("facts to CSV, two processes", "lines/s", lines / seconds),
        ("the whole month on two cores", "s", seconds),
        ("most memory of a process", "MB", max(one.memory_mb for one in told)),
    ):
        figure.note(OURS, setting, unit, value, ours=True)
    figure.remarks = [
        f"{sites:,} sites, {lines:,} lines in the records, {exceptions:,} exceptions",
        "counted: the record's lines read from JSON and checked, reconciled, control totals "
        "proven, worklist made, exceptions written as CSV; site by site, nothing kept",
        "seconds are of processor time in both processes, halved: a busy machine is left out",
        "not counted: making the simulated month; reading the ledger from a database",
    ]
    return figure


def one_site(number: int) -> Told:
    """Make one site's month, then reconcile it under the clock."""
    month = simulate(number, CONDITIONS, f"site-{number:04d}")
    parts = list(_as_facts(month))
    began = time.process_time()
    held = tuple(
        held_of(line) for part in parts for line in RecordLinesRead.model_validate_json(part).lines
    )
    books = SiteBooks(month.books.site, "EUR", month.books.expected, held, {})
    as_of = month.last_day + timedelta(days=2)
    findings = reconcile(books, RULES, as_of)
    totals = control_totals(books.site, month.imaged, books, findings, month.days)
    listed = worklist(books.site, findings, RULES, [], [], as_of)
    file = io.StringIO()
    write_csv(file, LINE_HEADS, (line_row(books.site, "EUR", one.finding, one) for one in listed))
    took = time.process_time() - began
    whole = sum_totals(totals.values())
    concluded = whole.posted + sum(whole.differences.values(), Decimal(0))
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Told(len(held), len(listed), took, memory_mb, concluded, whole.held)


def _as_facts(month: SimulatedMonth) -> Iterator[bytes]:
    """Lay the lines out as the record's readings tell them."""
    by_day: dict[object, list[Held]] = {}
    for line in month.books.held:
        by_day.setdefault(line.day, []).append(line)
    for own in by_day.values():
        for start in range(0, len(own), MAX_LINES_IN_PART):
            lines = tuple(_line(one) for one in own[start : start + MAX_LINES_IN_PART])
            fact = RecordLinesRead(day=own[0].day, read_at=READ_AT, lines=lines)
            yield fact.model_dump_json().encode()


def _line(one: Held) -> RecordLine:
    return RecordLine(
        line_id=one.line_id,
        posting_key=one.key,
        patient_id=one.patient,
        service_day=one.day,
        code=one.code,
        quantity=one.quantity,
        amount=one.amount,
        currency="EUR",
        entered_by=one.entered_by,
        edited=one.edited,
    )
