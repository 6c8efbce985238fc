"""The lead's figures as CSV and as a workbook, whole, with what has to be read beside them."""

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from schemas.quality import RejectTargets
from schemas.quality.rates import Rate
from services.console.dose_bins import BINS
from services.console.lead.asked import LeadAsked
from services.console.lead.figure_lines import FigureLine
from services.console.lead.lines import short_verdict
from services.console.lead.marks import bin_words
from services.console.lead.names import Names, reason_words
from services.console.lead.teach import Finding, Taught
from services.console.views_lead import By
from services.runtime.sheets import Cell, write_csv, write_workbook

CAUTIONS: Final = (
    "A rate counts what happened. It is no judgement of a person: who images the hard views, the "
    "small animals and the urgent cases has more rejects.",
    "Doses are estimates with a basis and an uncertainty, not measurements, and never a clearance. "
    "Quartiles are read from a histogram and may be off by a third.",
    "Published targets and dose values are from the imaging of people. None was found for animals; "
    "none is a limit.",
    "Local codes and the group's radiation protection adviser decide. Nobody repeats an exposure "
    "for a figure's sake.",
)
_RATES: Final = ("rejected", "repeated", "ended early", "off the technique chart")
HEADS: Final = (
    "by",
    "code",
    "name",
    "images",
    "exposures",
    *(
        f"{name}: {part}"
        for name in _RATES
        for part in ("count", "of", "share", "95 % from", "95 % to")
    ),
    "rejected against published targets",
    "missing views",
    "exposures with known dose",
    "kerma sum mGy",
    "kerma-area product sum mGy·cm²",
    "kerma lower quartile mGy",
    "kerma median mGy",
    "kerma upper quartile mGy",
)
_TEACH_HEADS: Final = (
    "place", "by", "code", "name", "what", "count", "of", "share", "95 % from", "95 % to",
    "share of all together", "more than their share",
)  # fmt: skip


def figures_csv(lines: Iterable[FigureLine], by: By, names: Names, targets: RejectTargets) -> bytes:
    """Write every line by RFC 4180 (from memory), in UTF-8."""
    text = io.StringIO(newline="")
    write_csv(text, HEADS, (figure_row(line, by, names, targets) for line in lines))
    return text.getvalue().encode()


def figures_workbook(
    asked: LeadAsked,
    lines: Sequence[FigureLine],
    reasons: Mapping[str, int],
    taught: Taught | None,
    names: Names,
    targets: RejectTargets,
) -> bytes:
    """Write a workbook: cautions first, figures, reasons, doses by bin, what to teach."""
    dose_rows = (
        (line.name, names.of(asked.by, line.name), bin_words(number), line.doses.bins[number])
        for line in lines
        for number in range(BINS)
        if line.doses.bins[number]
    )
    sheets: list[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]] = [
        ("read first", ("about", "words"), _about(asked, targets)),
        ("figures", HEADS, (figure_row(line, asked.by, names, targets) for line in lines)),
        ("reasons", ("reason", "rejected images"), _reasons(reasons)),
        ("doses", ("code", "name", "kerma mGy", "exposures"), dose_rows),
    ]
    if taught is not None:
        sheets.append(("to teach", _TEACH_HEADS, _taught(taught, names)))
    file = io.BytesIO()
    write_workbook(file, sheets)
    return file.getvalue()


def figure_row(line: FigureLine, by: By, names: Names, targets: RejectTargets) -> list[Cell]:
    """Lay one line out under ``HEADS``."""
    doses = line.doses
    return [
        by.value,
        line.name,
        names.of(by, line.name),
        line.images,
        line.exposures,
        *_rate(line.rejects),
        *_rate(line.repeats),
        *_rate(line.early_of_exposures),
        *_rate(line.deviations_of_exposures),
        short_verdict(line.rejects, targets),
        line.missing_views,
        doses.known,
        _rounded(doses.kerma_mgy),
        _rounded(doses.kap_mgycm2),
        _rounded(doses.lower_quartile_mgy),
        _rounded(doses.median_mgy),
        _rounded(doses.upper_quartile_mgy),
    ]


def _rate(one: Rate) -> tuple[Cell, ...]:
    if not one.images:
        return (0, 0, None, None, None)
    return (one.count, one.images, *(round(part, 5) for part in (one.share, one.low, one.high)))


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _about(asked: LeadAsked, targets: RejectTargets) -> list[tuple[str, str]]:
    rows = [
        ("period", f"{asked.first} to {asked.last}"),
        ("sites", asked.site or "all"),
        ("shown by", asked.by.value),
        *((f"only this {name}", value) for name, value in sorted(asked.only.items())),
        *(("caution", words) for words in CAUTIONS),
    ]
    for target in targets.targets:
        memory = " (from memory)" if target.basis == "memory" else ""
        rows.append((f"{target.meaning} at {target.rate:.0%}", f"{target.source}{memory}"))
    rows.append((f"least images {targets.least_images}", targets.least_images_source))
    rows.append(("intervals", "Wilson's score interval at 95 %"))
    return [*rows, ("targets", targets.note)]


def _reasons(reasons: Mapping[str, int]) -> Iterable[Sequence[Cell]]:
    return ((reason_words(reason), number) for reason, number in reasons.items())


def _taught(taught: Taught, names: Names) -> Iterable[Sequence[Cell]]:
    for place, one in enumerate((*taught.saving, *taught.settings), start=1):
        yield (place, *_finding(one, names))


def _finding(one: Finding, names: Names) -> tuple[Cell, ...]:
    return (
        one.by.value,
        one.name,
        names.of(one.by, one.name),
        one.measure.value,
        *_rate(one.rate),
        round(one.together, 5),
        one.more,
    )
