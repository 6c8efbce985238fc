"""Plates scanned in a batch, long after their exposures: many images within seconds.

The time of such an image says when its plate was scanned, not when it was exposed. What is left
is the order, which is mostly kept though never sure, and the technique and teeth. Where these
single out one pairing it is taken; else each image is left to a person, with the likeliest.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from services.assessment.alignment import Pair, align
from services.assessment.clock_offset import Floats
from services.assessment.pairing_scores import Agreement, Exposure, Image

SCANNED_WITHIN_S: Final = 6 * 3600.0
"""How long a plate may lie before it is scanned, in seconds. A default of ours."""

NEXT_SCAN_WITHIN_S: Final = 25.0
"""Images of a batch follow each other within this time. A default of ours."""

_LEAST_OF_A_BATCH: Final = 3
_EXPLAINED_UP_TO: Final = 0.5

# How a stack of plates is scanned: as exposed, the last one first, or anyhow. Ours.
_AS_EXPOSED, _LAST_FIRST = 0.6, 0.1
_IMAGED, _STRANGE = 0.95, 0.05
_MORE_EXPOSURES: Final = 2
_TAKEN_FROM: Final = 0.5


@dataclass(frozen=True, slots=True)
class Batch:
    """Places of the images of one study that were scanned one after the other, in that order."""

    study: str
    images: tuple[int, ...]
    began_s: float


@dataclass(frozen=True, slots=True)
class BatchLinks:
    """The likeliest exposure of each image that has one, with its probability.

    ``plain``: the exposures before are plates by their own word and hardly more than the images;
    only then may a link be taken without a person. ``spanned`` are the exposures from the first to
    the last that an image fits. ``doubtful`` are those that stand nearer to plates of another
    study than to the rest of these.
    """

    batch: Batch
    pairs: tuple[tuple[Pair, float], ...]
    plain: bool
    spanned: tuple[int, ...]
    doubtful: frozenset[int]


def find_batches(
    images: Sequence[Image], image_s: Floats, explained: Collection[int]
) -> list[Batch]:
    """Find runs of images too close together, whose times no exposures explain."""
    found: list[Batch] = []
    by_station: dict[str, list[int]] = {}
    for place in np.argsort(image_s, kind="stable").tolist():
        by_station.setdefault(images[place].device, []).append(place)
    for _, places in sorted(by_station.items()):
        run: list[int] = []
        for place in [*places, -1]:
            if run and (place < 0 or image_s[place] - image_s[run[-1]] > NEXT_SCAN_WITHIN_S):
                found += _of_run(run, images, image_s, explained)
                run = []
            run.append(place)
    return sorted(found, key=lambda batch: (batch.began_s, batch.study))


def _of_run(
    run: Sequence[int], images: Sequence[Image], image_s: Floats, explained: Collection[int]
) -> list[Batch]:
    by_study: dict[str, list[int]] = {}
    for place in run:
        by_study.setdefault(images[place].study, []).append(place)
    return [
        Batch(study, tuple(members), float(image_s[members[0]]))
        for study, members in sorted(by_study.items())
        if len(members) >= _LEAST_OF_A_BATCH
        and sum(m in explained for m in members) <= _EXPLAINED_UP_TO * len(members)
    ]


def link_batches(
    batches: Sequence[Batch],
    exposures: Sequence[Exposure],
    exposure_s: Floats,
    open_places: Collection[int],
    agreement: Agreement,
    settled_images: Collection[int],
) -> list[BatchLinks]:
    """Link each batch to the exposures before it that have no image. Times are on one clock."""
    left = sorted(
        (p for p in open_places if exposures[p].plate is not False and not exposures[p].test),
        key=lambda p: (exposure_s[p], exposures[p].key),
    )
    done: list[BatchLinks] = []
    study_of: dict[int, str] = {}
    for batch in batches:
        known = {exposures[p].study for p in left} - {None}
        pending = [
            p
            for p in left
            if 0.0 <= batch.began_s - exposure_s[p] <= SCANNED_WITHIN_S
            and exposures[p].study in {None, batch.study}
        ]
        if batch.study in known:
            pending = [p for p in pending if exposures[p].study == batch.study]
        told = [p for p in pending if exposures[p].plate]
        pending = told or pending
        members = [place for place in batch.images if place not in settled_images]
        plain = bool(told) and len(pending) <= len(batch.images) + _MORE_EXPOSURES
        pairs = _pairs(pending, members, agreement) if pending and members else ()
        at = [pending.index(i) for (i, _), chance in pairs if chance >= _TAKEN_FROM]
        spanned = pending[min(at) : max(at) + 1] if at else []
        fellows = {p for (p, _), _ in pairs}
        strangers = {p for p, study in study_of.items() if study != batch.study}
        doubtful = _nearer(fellows, strangers, exposure_s)
        done.append(BatchLinks(batch, pairs, plain, tuple(spanned), doubtful))
        if plain:
            study_of |= dict.fromkeys(spanned, batch.study)
            left = [p for p in left if p not in set(spanned)]
    return done


def _nearer(
    fellows: Collection[int], strangers: Collection[int], exposure_s: Floats
) -> frozenset[int]:
    """Give those that stand nearer to a stranger than to the next of their own."""

    def gap_s(place: int, others: Collection[int]) -> float:
        gaps = (abs(float(exposure_s[place] - exposure_s[o])) for o in others if o != place)
        return min(gaps, default=math.inf)

    return frozenset(p for p in fellows if gap_s(p, strangers) <= gap_s(p, fellows))


def _pairs(
    pending: Sequence[int], members: Sequence[int], agreement: Agreement
) -> tuple[tuple[Pair, float], ...]:
    n, m = len(pending), len(members)
    i, j = np.divmod(np.arange(n * m), m)
    scores = agreement.scores(np.array(pending)[i], np.array(members)[j]).reshape(n, m)
    kept = _aligned(scores)
    turned_total, turned = _aligned(scores[::-1])
    ratios = np.exp(scores)
    anyhow = ratios / ratios.sum(axis=0, keepdims=True)
    any_total = min(n, m) * math.log(_IMAGED) + float(np.log(ratios.mean(axis=0)).sum())
    # As the sum over all that keep the order counts them: each way to leave some out.
    any_total += _log_choices(max(n, m), min(n, m))
    any_total += max(0, n - m) * math.log(1.0 - _IMAGED) + max(0, m - n) * math.log(_STRANGE)
    totals = np.array(
        [
            math.log(_AS_EXPOSED) + kept[0],
            math.log(_LAST_FIRST) + turned_total,
            math.log(1.0 - _AS_EXPOSED - _LAST_FIRST) + any_total,
        ]
    )
    share = np.exp(totals - totals.max())
    share /= share.sum()
    probability = share[0] * kept[1] + share[1] * turned[::-1] + share[2] * anyhow
    chosen: list[tuple[Pair, float]] = []
    order = sorted(
        ((float(probability[a, b]), a, b) for a in range(n) for b in range(m)),
        key=lambda one: (-one[0], one[1], one[2]),
    )
    used_i: set[int] = set()
    used_j: set[int] = set()
    for chance, a, b in order:
        if a not in used_i and b not in used_j:
            used_i.add(a)
            used_j.add(b)
            chosen.append(((pending[a], members[b]), chance))
    return tuple(sorted(chosen))


def _log_choices(of: int, some: int) -> float:
    return math.lgamma(of + 1) - math.lgamma(some + 1) - math.lgamma(of - some + 1)


def _aligned(scores: Floats) -> tuple[float, Floats]:
    n, m = scores.shape
    match = {(a, b): math.log(_IMAGED) + float(scores[a, b]) for a in range(n) for b in range(m)}
    found = align(match, [math.log(1.0 - _IMAGED)] * n, [math.log(_STRANGE)] * m)
    shares = np.zeros((n, m))
    for (a, b), share in found.probability.items():
        shares[a, b] = share
    return found.log_total, shares
