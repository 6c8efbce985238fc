"""One site's reconciliation for some days: findings, exceptions, proven totals, summary."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import Connection

from services.charges.books_store import load_books
from services.charges.compared import Finding
from services.charges.control_totals import ControlTotals, control_totals, sum_totals
from services.charges.effects_store import read_effects
from services.charges.exceptions import ChargeException, aging, worklist
from services.charges.month_summary import Summary, summarize
from services.charges.reconcile import reconcile
from services.charges.reconciling import Reconciler
from services.charges.report_rows import line_row, summary_rows, total_row
from services.runtime.sheets import Cell


@dataclass(frozen=True, slots=True)
class SiteReport:
    """All of one currency at one site. The totals were proven when it was made."""

    site: str
    currency: str
    findings: tuple[Finding, ...]
    exceptions: tuple[ChargeException, ...]
    totals: dict[date, ControlTotals]
    summary: Summary

    @property
    def total(self) -> ControlTotals:
        return sum_totals(self.totals.values())

    def line_rows(self, *, only_exceptions: bool) -> Iterator[tuple[Cell, ...]]:
        listed = {id(one.finding): one for one in self.exceptions}
        for finding in self.findings:
            own = listed.get(id(finding))
            if own is not None or not only_exceptions:
                yield line_row(self.site, self.currency, finding, own)

    def total_rows(self) -> Iterator[tuple[Cell, ...]]:
        for day, totals in sorted(self.totals.items()):
            yield total_row(self.site, day, self.currency, totals)
        yield total_row(self.site, "all days", self.currency, self.total)

    def summary_rows(self) -> Iterable[tuple[Cell, ...]]:
        return summary_rows(self.summary, aging(self.exceptions))


def site_reports(
    connection: Connection,
    reconciler: Reconciler,
    site: str,
    first: date,
    last: date,
    as_of: date,
) -> list[SiteReport]:
    """Reconcile a site. Raises ControlTotalError where the books do not balance."""
    decisions, agreements = reconciler.decided(connection, site, first, last)
    effects = read_effects(connection, site, first, last)
    days = frozenset(first + timedelta(days=number) for number in range((last - first).days + 1))
    reports: list[SiteReport] = []
    for loaded in load_books(connection, site, first, last, reconciler.rules):
        everything = reconcile(loaded.books, reconciler.rules, as_of)
        totals = control_totals(site, loaded.imaged, loaded.books, everything, days)
        findings = tuple(one for one in everything if first <= one.day <= last)
        listed = worklist(site, findings, reconciler.rules, decisions, agreements, as_of)
        currency = loaded.books.currency
        own = [effect for effect, money in effects if money == currency]
        reports.append(
            SiteReport(site, currency, findings, listed, totals, summarize(everything, own))
        )
    return reports
