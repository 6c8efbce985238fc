"""What a study costs now, line by line, and what is not charged, each with its reason.

Pure: the same assessment, tariff and zone give the same result. No line stands without an image
or a fact of what was used.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from decimal import Decimal
from itertools import combinations

from schemas.conclusions import (
    ChargeLine,
    ExposureUse,
    ImageUse,
    NotCharged,
    StudyAssessed,
    StudyState,
    TaxSum,
)
from schemas.tariffs import BundleChoice, Tariff
from services.charges.amounts import Settled, settle
from services.charges.case import Case, CaseBundle, case_of, images_in_order
from services.charges.drafts import Drafted, draft, share_out

_IMAGE_REASONS = {
    ImageUse.REPEAT: "repeat of a view that is charged once",
    ImageUse.REJECTED: "rejected: not of diagnostic quality",
    ImageUse.EXTRA: "beyond the ordered plan: nobody ordered it; add it to the order to charge it",
    ImageUse.UNASSIGNED: "no planned view: charged once a person says which view it shows",
}
"""Only a diagnostic view of the plan is charged: an owner pays for what was ordered."""

_EXPOSURE_REASONS = {
    ExposureUse.ENDED_EARLY: "exposure ended early",
    ExposureUse.NO_IMAGE: "exposure without an image",
    ExposureUse.PROPOSED: "its image waits for a person to confirm",
    ExposureUse.IMAGE: "exposure of an image that is not charged",
}


@dataclass(frozen=True, slots=True)
class Priced:
    """The lines of a study in working order, what is not charged, and the sums.

    ``total`` is in the tariff's terms, ``total_with_tax`` what the client pays.
    """

    lines: tuple[ChargeLine, ...]
    not_charged: tuple[NotCharged, ...]
    total: Decimal
    taxes: tuple[TaxSum, ...]
    total_with_tax: Decimal


@dataclass(frozen=True, slots=True)
class _Choice:
    bundles: tuple[CaseBundle, ...]
    drafted: Drafted
    settled: Settled


def price(assessment: StudyAssessed, tariff: Tariff, zone: tzinfo) -> Priced:
    """Price a study by a site's tariff (``Tariff.at``); ``zone`` is the site's time zone."""
    nothing = _why_nothing(assessment, tariff)
    if nothing is not None:
        sums = settle((), tariff, referral=False)
        left_out = [
            *_of_images(assessment, set(), nothing),
            *_of_exposures(assessment, set(), nothing),
        ]
        if assessment.images:
            left_out += (
                NotCharged(about=one.article, reason=nothing) for one in tariff.consumables
            )
        return Priced((), tuple(left_out), sums.total, (), sums.total_with_tax)
    case = case_of(assessment, tariff, zone)
    choice = _choose(case)
    settled = choice.settled
    told = [*choice.drafted.not_charged, *settled.not_charged]
    told_of = {one.about for one in told}
    charged = {uid for line in settled.lines for uid in line.images} - told_of
    known = charged | told_of
    left_out = [*_of_images(assessment, known, None), *told]
    left_out += [*_of_exposures(assessment, charged, None), *_of_bundles(case, choice)]
    return Priced(
        settled.lines, tuple(left_out), settled.total, settled.taxes, settled.total_with_tax
    )


def _why_nothing(assessment: StudyAssessed, tariff: Tariff) -> str | None:
    """Say why nothing of this study may be charged, or None where it may."""
    if assessment.training:
        return "training or test order: never charged"
    if assessment.state is StudyState.CANCELLED:
        return "order cancelled"
    if assessment.patient is None:
        return "patient not known: charged once the order has come"
    if assessment.day < tariff.valid_from:
        return f"tariff {tariff.code} is valid from {tariff.valid_from}, after this study"
    if not tariff.holds_on(assessment.day):
        return f"tariff {tariff.code} was valid to {tariff.valid_to}, before this study"
    return None


def _choose(case: Case) -> _Choice:
    """Choose the bundles as the tariff says. Every choice is tried: a tariff has few bundles."""
    fitting = case.fitting
    if case.tariff.bundle_choice is BundleChoice.FILE_ORDER:
        chosen: list[CaseBundle] = []
        covered: set[str] = set()
        for one in fitting:
            if not one.images <= covered:
                chosen.append(one)
                covered |= one.images
        return _made(case, tuple(chosen)) or _alone(case)
    best = _alone(case)
    for count in range(1, len(fitting) + 1):
        for bundles in combinations(fitting, count):
            made = _made(case, bundles)
            if made is not None and _rank(made) < _rank(best):
                best = made
    return best


def _rank(choice: _Choice) -> tuple[Decimal, int]:
    """Of what costs the client the same, the one with fewer lines; else the first tried."""
    return choice.settled.total_with_tax, len(choice.settled.lines)


def _made(case: Case, bundles: Sequence[CaseBundle]) -> _Choice | None:
    """Make the choice of these bundles; None where one of them has no view of its own."""
    covered = share_out(bundles)
    return None if covered is None else _settled(case, tuple(bundles), covered)


def _alone(case: Case) -> _Choice:
    """Charge each view by itself."""
    return _settled(case, (), {})


def _settled(
    case: Case, bundles: tuple[CaseBundle, ...], covered: Mapping[str, CaseBundle]
) -> _Choice:
    drafted = draft(case, bundles, covered)
    settled = settle(drafted.lines, case.tariff, referral=case.assessment.referral)
    return _Choice(bundles, drafted, settled)


def _of_images(
    assessment: StudyAssessed, known: set[str], nothing: str | None
) -> Iterator[NotCharged]:
    for image in images_in_order(assessment):
        if image.sop_instance_uid not in known:
            reason = nothing or _IMAGE_REASONS[image.use]
            yield NotCharged(about=image.sop_instance_uid, reason=reason)


def _of_exposures(
    assessment: StudyAssessed, charged: set[str], nothing: str | None
) -> Iterator[NotCharged]:
    ordered = sorted(assessment.exposures, key=lambda one: (one.occurred_at, one.exposure_key))
    for exposure in ordered:
        if exposure.sop_instance_uid not in charged:
            reason = nothing or _EXPOSURE_REASONS[exposure.use]
            yield NotCharged(about=exposure.exposure_key, reason=reason)


def _of_bundles(case: Case, choice: _Choice) -> Iterator[NotCharged]:
    """Say of each bundle for such studies why it is not charged."""
    for one in case.bundles:
        if one in choice.bundles or not one.images:
            continue
        bundle = one.bundle
        if one.can_be_charged:
            reason = "another choice costs the client no more"
            if case.tariff.bundle_choice is BundleChoice.FILE_ORDER:
                reason = "bundles before it cover its views"
        else:
            reason = (
                f"{one.done} of {one.planned} planned views done; it wants "
                f"{bundle.at_least_views} at least, and {bundle.at_least_percent} %"
            )
        yield NotCharged(about=f"bundle {bundle.name}", reason=reason)
