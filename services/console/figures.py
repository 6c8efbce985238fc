"""What one study adds to the figures of its day: counted from its assessment alone.

Pure. A study's old figures are taken away and its new ones added, so that the sums are always
those of the newest revisions, whatever came in between. Images, rejects and repeats are counted as
``schemas.quality.rated`` counts them.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from schemas.conclusions import ExposureResult, ExposureUse, ImageUse, StudyAssessed, ViewStatus
from schemas.quality.rated import rejection_reason
from services.console.dose_bins import BIN_COLUMNS, bin_of
from services.console.lead.tables import SITE_COUNTS
from services.console.tables import COUNTS, WHOLE_GROUP, month_of

_NANO_PER_MILLI = 1_000_000


class Line(NamedTuple):
    """What a count is of. The device is the image's sensor, else its station; of an exposure
    without an image its generator. Empty: not told."""

    day: date
    operator: str
    device: str
    view: str
    species: str


@dataclass(frozen=True, slots=True)
class Figures:
    """Counts by line, with names as in ``tables.COUNTS``; rejected images by reason too."""

    counts: Mapping[Line, Mapping[str, int]] = field(default_factory=dict)
    reasons: Mapping[tuple[Line, str], int] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.counts)


def figures_of(study: StudyAssessed) -> Figures:
    """Count one study; a training study counts for nothing.

    Planned views that are missing count once the study is closed, for who exposed most in it.
    """
    if study.training:
        return Figures()
    counts: dict[Line, Counter[str]] = {}
    reasons: Counter[tuple[Line, str]] = Counter()
    species = study.patient.species.value if study.patient is not None else ""
    images = {image.sop_instance_uid: image for image in study.images}
    operators = {
        one.sop_instance_uid: one.operator or "" for one in study.exposures if one.sop_instance_uid
    }
    again = {repeat.again for repeat in study.repeats}

    def line(operator: str | None, device: str | None, view: str | None) -> Line:
        return Line(study.day, operator or "", device or "", view or "", species)

    for image in study.images:
        operator = operators.get(image.sop_instance_uid) if image.exposure_key else None
        of = line(operator, image.sensor or image.station, image.view)
        told = counts.setdefault(of, Counter())
        told["images"] += 1
        told["repeats"] += image.sop_instance_uid in again
        if image.use is ImageUse.REJECTED:
            told["rejected"] += 1
            reasons[of, rejection_reason(image.words)[:64]] += 1
    misfits = {finding.exposure_key for finding in study.technique}
    used: Counter[tuple[str, str]] = Counter()
    for exposure in study.exposures:
        made = images.get(exposure.sop_instance_uid or "")
        device = (made.sensor or made.station) if made is not None else exposure.generator
        of = line(exposure.operator, device, made.view if made is not None else None)
        used[of.operator, of.device] += 1
        _count_exposure(counts.setdefault(of, Counter()), exposure, misfits)
    if study.closed:
        operator, device = min(used, key=lambda one: (-used[one], one), default=("", ""))
        for view in study.views:
            if view.status is ViewStatus.MISSING:
                counts.setdefault(line(operator, device, view.view), Counter())[
                    "missing_views"
                ] += 1
    return Figures({of: dict(+told) for of, told in counts.items()}, dict(reasons))


def _count_exposure(told: Counter[str], exposure: ExposureResult, misfits: set[str]) -> None:
    told["exposures"] += 1
    told["ended_early"] += exposure.use is ExposureUse.ENDED_EARLY
    told["deviations"] += exposure.exposure_key in misfits
    if exposure.kerma_mgy is not None and not exposure.kerma_doubtful:
        told["kerma_known"] += 1
        told["kerma_ngy"] += round(exposure.kerma_mgy * _NANO_PER_MILLI)
        told[BIN_COLUMNS[bin_of(exposure.kerma_mgy)]] += 1
    if exposure.kap_mgycm2 is not None and not exposure.kap_doubtful:
        told["kap_known"] += 1
        told["kap_ngycm2"] += round(exposure.kap_mgycm2 * _NANO_PER_MILLI)


def as_text(figures: Figures) -> str:
    """Write figures down, the same text for the same figures."""
    told = {
        "counts": [
            [*_plain(of), dict(sorted(n.items()))] for of, n in sorted(figures.counts.items())
        ],
        "reasons": [[*_plain(of), why, n] for (of, why), n in sorted(figures.reasons.items())],
    }
    return json.dumps(told, separators=(",", ":"))


def from_text(text: str | None) -> Figures:
    """Read what ``as_text`` wrote; of nothing there are none."""
    if not text:
        return Figures()
    told = json.loads(text)
    return Figures(
        {_line(row[:5]): row[5] for row in told["counts"]},
        {(_line(row[:5]), row[5]): row[6] for row in told["reasons"]},
    )


def _plain(of: Line) -> tuple[str, ...]:
    return (of.day.isoformat(), *of[1:])


def _line(parts: list[str]) -> Line:
    return Line(date.fromisoformat(parts[0]), *parts[1:])


Row = dict[str, Any]


class FigureSums:
    """What a batch changes of the figures, summed, as rows to be added to the tables."""

    def __init__(self) -> None:
        self._day: dict[tuple[Any, ...], Counter[str]] = {}
        self._site_day: dict[tuple[Any, ...], Counter[str]] = {}
        self._month: dict[tuple[Any, ...], Counter[str]] = {}
        self._reasons: Counter[tuple[Any, ...]] = Counter()

    def exchange(self, site: str, before: Figures, now: Figures) -> None:
        """Take a study's old figures away and add the new."""
        if before == now:
            return
        self._add(site, before, -1)
        self._add(site, now, 1)

    def _add(self, site: str, figures: Figures, sign: int) -> None:
        for of, told in figures.counts.items():
            self._count(self._day, (site, *of), told, sign)
            self._count(self._site_day, (site, of.day), told, sign)
            for key in _month_keys(site, of):
                self._count(self._month, key, told, sign)
        for (of, reason), images in figures.reasons.items():
            self._reasons[(site, *of, reason)] += sign * images
            for place in (site, WHOLE_GROUP):
                key = ("reason", place, month_of(of.day), reason)
                self._count(self._month, key, {"rejected": images}, sign)

    @staticmethod
    def _count(
        rows: dict[tuple[Any, ...], Counter[str]],
        key: tuple[Any, ...],
        told: Mapping[str, int],
        sign: int,
    ) -> None:
        sums = rows.setdefault(key, Counter())
        for name, number in told.items():
            sums[name] += sign * number

    def day_rows(self) -> list[Row]:
        return list(_rows(self._day, ("site", *Line._fields)))

    def site_day_rows(self) -> list[Row]:
        return list(_rows(self._site_day, ("site", "day")))

    def month_rows(self) -> list[Row]:
        return list(_rows(self._month, ("by", "site", "month", "name")))

    def site_rows(self) -> list[Row]:
        whole = {
            (month, site): told
            for (by, site, month, _), told in self._month.items()
            if by == "all" and site != WHOLE_GROUP
        }
        return list(_rows(whole, ("month", "site"), SITE_COUNTS))

    def reject_rows(self) -> list[Row]:
        names = ("site", *Line._fields, "reason")
        changed = sorted((key, n) for key, n in self._reasons.items() if n)
        return [dict(zip(names, key, strict=True)) | {"images": n} for key, n in changed]


def _month_keys(site: str, of: Line) -> Iterator[tuple[Any, ...]]:
    month = month_of(of.day)
    for place in (site, WHOLE_GROUP):
        yield "all", place, month, ""
        yield "view", place, month, of.view
        yield "species", place, month, of.species
    # Names of people and machines are a site's own: over the whole group they mean nothing.
    yield "operator", site, month, of.operator
    yield "device", site, month, of.device


def _rows(
    sums: Mapping[tuple[Any, ...], Counter[str]],
    names: Iterable[str],
    counts: Iterable[str] = COUNTS,
) -> Iterator[Row]:
    """Make rows in one order, so that two workers never wait for each other; none for nothing."""
    keys, counted = tuple(names), tuple(counts)
    for key in sorted(sums):
        told = {name: sums[key][name] for name in counted}
        if any(told.values()):
            yield dict(zip(keys, key, strict=True)) | told
