"""Control totals: the same money counted from two sides, and the proof that both agree.

Each equation has one side from the books as they came in and the other from what was concluded.
They agree to the cent or ``ControlTotalError`` names the equation, the place and both sides.

- every image that was seen is charged or has a reason why not
- priced - not due yet = due
- due + corrections = posted + open
- posted + differences = held, for each day and patient, where every difference has its class
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from schemas.errors import GomphosisError
from services.charges.compared import ZERO, Class, Finding, Posted, SiteBooks

_At = dict[tuple[date, str], Decimal]


class ControlTotalError(GomphosisError):
    """Two sides of an equation differ: a defect of ours, or books that changed while we read."""

    def __init__(self, equation: str, place: str, left: object, right: object) -> None:
        self.equation, self.place, self.left, self.right = equation, place, left, right
        super().__init__(
            f"control total '{equation}' at {place}: expected both sides equal, "
            f"got {left} and {right}; keep the day's facts and report it"
        )


@dataclass(frozen=True, slots=True)
class Imaged:
    """What one study's assessment says it costs now, and whether that is due yet.

    ``images`` are all the images that were seen; ``charged`` those that a line rests on;
    ``not_charged`` those that have a reason instead.
    """

    study: str
    day: date
    total: Decimal
    due: bool
    images: frozenset[str] = frozenset()
    charged: frozenset[str] = frozenset()
    not_charged: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class ControlTotals:
    """The totals of one day, or of a period, in the currency of the site.

    ``differences`` are held less due for each class, and sum up to ``held - posted``; those of
    open entries are in ``open``. ``outstanding`` is what is wrong in the end, in absolute terms.
    """

    images_seen: int
    images_charged: int
    images_not_charged: int
    priced: Decimal
    not_due: Decimal
    due: Decimal
    corrections: Decimal
    posted: Decimal
    open: Decimal
    differences: Mapping[Class, Decimal]
    held: Decimal
    outstanding: Decimal


def control_totals(
    site: str,
    imaged: Sequence[Imaged],
    books: SiteBooks,
    findings: Sequence[Finding],
    days: frozenset[date],
) -> dict[date, ControlTotals]:
    """Total each of ``days`` and prove it. Raises ControlTotalError."""
    _check_complete(site, books, findings)
    _check_images(site, imaged)
    _check_ledgers(site, imaged, books)
    seen_keys = {one.expected.key for one in findings if one.expected and one.held}
    due, corrections, posted, open_ = (_sums() for _ in range(4))
    posted_at: _At = defaultdict(lambda: ZERO)
    for entry in books.expected:
        (due if entry.corrects is None else corrections)[entry.day] += entry.amount
        if entry.state is Posted.ACCEPTED or entry.key in seen_keys:
            posted[entry.day] += entry.amount
            posted_at[entry.day, entry.patient] += entry.amount
        else:
            open_[entry.day] += entry.amount
    held = _sums()
    held_at: _At = defaultdict(lambda: ZERO)
    for line in books.held:
        held[line.day] += line.amount
        held_at[line.day, line.patient] += line.amount
    differences, outstanding = _differences(site, findings, posted_at, held_at)
    studies: dict[date, list[Imaged]] = defaultdict(list)
    for study in imaged:
        studies[study.day].append(study)
    told: dict[date, ControlTotals] = {}
    for day in sorted(days):
        own = studies[day]
        one = ControlTotals(
            images_seen=sum(len(study.images) for study in own),
            images_charged=sum(len(study.charged & study.images) for study in own),
            images_not_charged=sum(len(study.not_charged & study.images) for study in own),
            priced=sum((study.total for study in own), ZERO),
            not_due=sum((study.total for study in own if not study.due), ZERO),
            due=due[day],
            corrections=corrections[day],
            posted=posted[day],
            open=open_[day],
            differences=dict(differences[day]),
            held=held[day],
            outstanding=outstanding[day],
        )
        _check_day(site, day, one)
        told[day] = one
    return told


def sum_totals(totals: Iterable[ControlTotals]) -> ControlTotals:
    """Add the totals of days, or of sites of one currency, up."""
    rows = list(totals)
    differences: dict[Class, Decimal] = {}
    for row in rows:
        for kind, amount in row.differences.items():
            differences[kind] = differences.get(kind, ZERO) + amount
    return ControlTotals(
        images_seen=sum(row.images_seen for row in rows),
        images_charged=sum(row.images_charged for row in rows),
        images_not_charged=sum(row.images_not_charged for row in rows),
        priced=sum((row.priced for row in rows), ZERO),
        not_due=sum((row.not_due for row in rows), ZERO),
        due=sum((row.due for row in rows), ZERO),
        corrections=sum((row.corrections for row in rows), ZERO),
        posted=sum((row.posted for row in rows), ZERO),
        open=sum((row.open for row in rows), ZERO),
        differences=differences,
        held=sum((row.held for row in rows), ZERO),
        outstanding=sum((row.outstanding for row in rows), ZERO),
    )


def _sums() -> defaultdict[date, Decimal]:
    return defaultdict(lambda: ZERO)


def _check_complete(site: str, books: SiteBooks, findings: Sequence[Finding]) -> None:
    """Each entry and each line must be explained, and once only."""
    keys = [one.expected.key for one in findings if one.expected is not None]
    lines = [one.held.line_id for one in findings if one.held is not None]
    for what, told, came in (
        ("entries explained once = entries", keys, [one.key for one in books.expected]),
        ("lines explained once = lines", lines, [one.line_id for one in books.held]),
    ):
        if len(told) != len(came) or set(told) != set(came):
            raise ControlTotalError(what, site, len(told), len(came))


def _check_images(site: str, imaged: Sequence[Imaged]) -> None:
    for study in imaged:
        unexplained = study.images - study.charged - study.not_charged
        if unexplained:
            raise ControlTotalError(
                "images seen = charged + not charged",
                f"{site}, study {study.study}",
                len(study.images),
                len(study.images) - len(unexplained),
            )


def _check_ledgers(site: str, imaged: Sequence[Imaged], books: SiteBooks) -> None:
    """The ledger of a study that is due must sum up to its price, and else to nothing."""
    ledgers: dict[str, Decimal] = defaultdict(lambda: ZERO)
    for entry in books.expected:
        if entry.corrects is None:
            ledgers[entry.study] += entry.amount
    for study in imaged:
        wanted = study.total if study.due else ZERO
        if ledgers[study.study] != wanted:
            raise ControlTotalError(
                "priced - not due yet = due",
                f"{site}, study {study.study}",
                wanted,
                ledgers[study.study],
            )


def _differences(
    site: str, findings: Sequence[Finding], posted_at: _At, held_at: _At
) -> tuple[dict[date, dict[Class, Decimal]], dict[date, Decimal]]:
    """Sum the differences by day and class, and prove them at each day and patient."""
    by_class: dict[date, dict[Class, Decimal]] = defaultdict(dict)
    wrong = _sums()
    at: _At = defaultdict(lambda: ZERO)
    for finding in findings:
        entry, line = finding.expected, finding.held
        if finding.outstanding and finding.kind is not Class.OPEN:
            wrong[finding.day] += finding.at_stake
        if line is None and entry is not None and entry.state is not Posted.ACCEPTED:
            continue  # it is among the open ones
        if finding.kind is Class.MATCHED and entry is not None and line is not None:
            same = entry.amount == line.amount and entry.patient == line.patient
            if same and entry.day == line.day:
                continue
        if entry is not None:
            own = by_class[entry.day]
            own[finding.kind] = own.get(finding.kind, ZERO) - entry.amount
            at[entry.day, entry.patient] -= entry.amount
        if line is not None:
            own = by_class[line.day]
            own[finding.kind] = own.get(finding.kind, ZERO) + line.amount
            at[line.day, line.patient] += line.amount
    for place in posted_at.keys() | held_at.keys() | at.keys():
        left = posted_at.get(place, ZERO) + at.get(place, ZERO)
        if left != held_at.get(place, ZERO):
            day, patient = place
            raise ControlTotalError(
                "posted + differences = held",
                f"{site}, {day}, patient {patient}",
                left,
                held_at.get(place, ZERO),
            )
    return by_class, wrong


def _check_day(site: str, day: date, totals: ControlTotals) -> None:
    place = f"{site}, {day}"
    due = totals.due + totals.corrections
    if due != totals.posted + totals.open:
        raise ControlTotalError(
            "due + corrections = posted + open", place, due, totals.posted + totals.open
        )
    concluded = totals.posted + sum(totals.differences.values(), ZERO)
    if concluded != totals.held:
        raise ControlTotalError("posted + differences = held", place, concluded, totals.held)
