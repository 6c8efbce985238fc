"""Reject and repeat rates with their intervals and trend, against published targets.

Pure. A rate is a share of images. Wilson score interval: Wilson EB, J Am Stat Assoc 1927;22:209.
Trend over months: Cochran-Armitage test, two-sided, normal approximation (Armitage P, Biometrics
1955;11:375); both cited from memory, checked against scipy in the tests.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from statistics import NormalDist
from typing import Final

from schemas.quality import RejectTargets

CONFIDENCE: Final = 0.95
"""As rates are usually given: common practice, no published source."""
TREND_P: Final = 0.05
"""Below this p a trend is called one (common practice, no published source)."""
UNKNOWN: Final = "not told"


@dataclass(frozen=True, slots=True)
class RatedImage:
    """One image of a finished or running study. ``repeat``: it repeats an earlier exposure."""

    day: date
    rejected: bool
    repeat: bool
    reason: str | None = None
    operator: str | None = None
    view: str | None = None
    device: str | None = None


class By(StrEnum):
    OPERATOR = "operator"
    VIEW = "view"
    DEVICE = "device"


class Verdict(StrEnum):
    """A rate against one target, by its interval: only a whole interval can be beyond it."""

    WITHIN = "within"
    ABOVE = "above"
    NOT_CERTAIN = "not_certain"
    TOO_FEW = "too_few"


@dataclass(frozen=True, slots=True)
class Rate:
    """``count`` of ``images``, with the share and its interval at 95 %."""

    count: int
    images: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.count / self.images if self.images else 0.0


@dataclass(frozen=True, slots=True)
class Trend:
    """``z`` above 0: the rate rises. ``words`` name the test."""

    z: float
    p: float
    months: int
    words: str


@dataclass(frozen=True, slots=True)
class Rates:
    """One group's figures. ``verdicts`` are of the reject rate, by target; ``trend`` is None
    where fewer than two months hold images or nothing varies."""

    group: str
    rejects: Rate
    repeats: Rate
    reasons: Mapping[str, int]
    verdicts: Mapping[str, Verdict]
    trend: Trend | None


def rates_of(
    images: Iterable[RatedImage], targets: RejectTargets, by: By | None = None
) -> tuple[Rates, ...]:
    """Give the figures of all images first, then those of each group, largest first."""
    members = list(images)
    groups: dict[str, list[RatedImage]] = {}
    if by is not None:
        key = _KEYS[by]
        for image in members:
            groups.setdefault(key(image) or UNKNOWN, []).append(image)
    ordered = sorted(groups.items(), key=lambda item: (-len(item[1]), item[0]))
    return (_rates("all", members, targets), *(_rates(n, m, targets) for n, m in ordered))


_KEYS: Final[Mapping[By, Callable[[RatedImage], str | None]]] = {
    By.OPERATOR: lambda image: image.operator,
    By.VIEW: lambda image: image.view,
    By.DEVICE: lambda image: image.device,
}


def _rates(group: str, images: Sequence[RatedImage], targets: RejectTargets) -> Rates:
    rejects = rate(sum(image.rejected for image in images), len(images))
    reasons: dict[str, int] = {}
    for image in images:
        if image.rejected:
            reason = image.reason or UNKNOWN
            reasons[reason] = reasons.get(reason, 0) + 1
    return Rates(
        group=group,
        rejects=rejects,
        repeats=rate(sum(image.repeat for image in images), len(images)),
        reasons=dict(sorted(reasons.items(), key=lambda item: (-item[1], item[0]))),
        verdicts={
            target.name: verdict_of(rejects, target.rate, targets.least_images)
            for target in targets.targets
        },
        trend=trend_of(_by_month(images)),
    )


def rate(count: int, images: int) -> Rate:
    """Give a share with its Wilson interval; of no image the interval is everything."""
    low, high = wilson(count, images)
    return Rate(count, images, low, high)


def wilson(count: int, of: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Give the two-sided Wilson score interval of a binomial share."""
    if not 0 <= count <= of:
        raise ValueError(f"count: expected 0 to {of}, got {count}")
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share, z2 = count / of, z * z
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = z / (1 + z2 / of) * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    # At the ends the interval begins or stops there exactly; rounding must not step over.
    low = 0.0 if count == 0 else max(0.0, middle - half)
    return low, 1.0 if count == of else min(1.0, middle + half)


def verdict_of(rejects: Rate, target: float, least: int) -> Verdict:
    """Hold a rate against a target; of fewer than ``least`` images nothing is said."""
    if rejects.images < least:
        return Verdict.TOO_FEW
    if rejects.low > target:
        return Verdict.ABOVE
    return Verdict.WITHIN if rejects.high <= target else Verdict.NOT_CERTAIN


def _by_month(images: Sequence[RatedImage]) -> dict[int, tuple[int, int]]:
    """Rejected and all images by month, counted from year 0."""
    months: dict[int, tuple[int, int]] = {}
    for image in images:
        month = image.day.year * 12 + image.day.month - 1
        rejected, all_ = months.get(month, (0, 0))
        months[month] = (rejected + image.rejected, all_ + 1)
    return months


def trend_of(months: Mapping[int, tuple[int, int]]) -> Trend | None:
    """Test whether a rate rises or falls with the month: Cochran-Armitage, two-sided."""
    images = sum(n for _, n in months.values())
    rejected = sum(r for r, _ in months.values())
    if len(months) < 2 or rejected in {0, images}:
        return None
    share = rejected / images
    mean = sum(month * n for month, (_, n) in months.items()) / images
    score = sum((month - mean) * r for month, (r, _) in months.items())
    spread = sum(n * (month - mean) ** 2 for month, (_, n) in months.items())
    z = score / math.sqrt(share * (1 - share) * spread)
    p = math.erfc(abs(z) / math.sqrt(2))
    way = "no trend seen" if p >= TREND_P else "rising" if z > 0 else "falling"
    words = f"{way} over {len(months)} months (Cochran-Armitage, p = {p:.3f})"
    return Trend(z, p, len(months), words)
