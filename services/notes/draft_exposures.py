"""The sections about exposures: technique, repeats, dose, and links that are not sure."""

from statistics import median

from schemas.conclusions import (
    ExposureResult,
    ExposureUse,
    ImageResult,
    ImageUse,
    StudyAssessed,
)
from schemas.group import Site
from services.notes.draft_dose import (
    apart_lines,
    basis_line,
    period_lines,
    planned_lines,
    uncertainty_line,
)
from services.notes.wording import ended, named
from services.notes.writing import Writing

HUMAN_COMPARATORS = "Comparators are human dental values. They are no limits for animals."


def technique(assessment: StudyAssessed, site: Site, writing: Writing) -> list[str]:
    """Count the exposures and those set by hand, tell the settings of each, then what is odd."""
    exposures = _in_order(assessment)
    if not exposures:
        return ["No exposure is known for this study."]
    manual = sum(exposure.manual_setting for exposure in exposures)
    summary = f"Exposures: {len(exposures)}; with manual settings: {manual}."
    lines = [summary, *(_settings(exposure, site, writing) for exposure in exposures)]
    at = {exposure.exposure_key: writing.clock(exposure.occurred_at) for exposure in exposures}
    lines += [
        f"{at[finding.exposure_key]}: {writing.sentence(finding.words)}"
        for finding in assessment.technique
        if finding.exposure_key in at
    ]
    taken = {i.sop_instance_uid: writing.clock(i.acquired_at) for i in assessment.images}
    lines += [
        f"Image of {taken[hint.sop_instance_uid]}, hint: {writing.sentence(hint.words)}"
        for hint in assessment.quality
        if hint.sop_instance_uid in taken
    ]
    return lines


def _settings(exposure: ExposureResult, site: Site, writing: Writing) -> str:
    how = "manual setting" if exposure.manual_setting else f"preset {exposure.preset or 'not told'}"
    parts = [
        f"{writing.clock(exposure.occurred_at)}: {writing.exact(exposure.tube_kv)} kV",
        f"{writing.exact(exposure.tube_current_ma)} mA",
        f"{writing.exact(exposure.exposure_ms)} ms",
        how,
    ]
    if exposure.use is ExposureUse.ENDED_EARLY:
        parts.append(f"ended early, {writing.exact(exposure.set_exposure_ms)} ms were set")
    if exposure.operator is not None:
        parts.append(f"by {named(site, exposure.operator)}")
    return ", ".join(parts) + "."


def repeats(assessment: StudyAssessed, writing: Writing) -> list[str]:
    """Tell what was repeated, rejected or ended early, each with its reason."""
    lines = [
        f"{writing.clock(image.acquired_at)}: {_ABOUT_IMAGE[image.use]}; {ended(image.words)}"
        for image in _images_in_order(assessment)
        if image.use in _ABOUT_IMAGE
    ]
    for exposure in _in_order(assessment):
        if exposure.use is ExposureUse.ENDED_EARLY:
            lines.append(f"{writing.clock(exposure.occurred_at)}: exposure ended early.")
        elif exposure.use is ExposureUse.NO_IMAGE:
            lines.append(f"{writing.clock(exposure.occurred_at)}: exposure without an image.")
    lines += [writing.sentence(one.words) for one in assessment.repeats]
    return lines or ["None."]


_ABOUT_IMAGE = {
    ImageUse.REPEAT: "repeat",
    ImageUse.REJECTED: "image rejected",
    ImageUse.EXTRA: "image beyond the plan",
    ImageUse.UNASSIGNED: "image without a planned view",
}


def dose_words(assessment: StudyAssessed, writing: Writing) -> list[str]:
    """Tell the dose with its basis, its uncertainty and what it may be compared with."""
    dose = assessment.dose
    if dose.exposures == 0:
        none = "No exposure is known, so no dose can be told."
        return [
            none,
            *planned_lines(dose, writing),
            *period_lines(dose, writing),
            HUMAN_COMPARATORS,
        ]
    doubtful = sum(
        one.kerma_doubtful for one in assessment.exposures if one.use is not ExposureUse.PROPOSED
    )
    known = dose.exposures - dose.unknown_exposures - doubtful
    if known <= 0:
        none = f"Exposures: {dose.exposures}; none has a dose figure beyond doubt."
        told = [writing.sentence(dose.words)] if doubtful else []
        return [
            none,
            *told,
            *planned_lines(dose, writing),
            *period_lines(dose, writing),
            HUMAN_COMPARATORS,
        ]
    lines = [
        "Incident air kerma at the skin, without backscatter, as a sum: "
        f"{writing.number(dose.kerma_mgy)} mGy. "
        f"Kerma-area product: {writing.number(dose.kap_mgycm2)} mGy·cm². "
        f"Exposures in the sum: {known}.",
        "The exposures meet different fields: the sum is an indicator, not the dose of one spot.",
    ]
    if dose.unknown_exposures:
        lines.append(
            f"Exposures without a dose figure, in no sum: {dose.unknown_exposures}. "
            "The true sum is higher."
        )
    lines += [basis_line(dose.basis), uncertainty_line(dose.relative_uncertainty)]
    lines += apart_lines(dose, writing)
    lines += planned_lines(dose, writing)
    lines.append(f"Against the group's levels: {dose.verdict}; {writing.sentence(dose.words)}")
    lines += period_lines(dose, writing)
    lines += _of_one_exposure(assessment, writing)
    return [*lines, *(writing.sentence(one) for one in dose.comparators), HUMAN_COMPARATORS]


def _of_one_exposure(assessment: StudyAssessed, writing: Writing) -> list[str]:
    """Tell what one exposure gave: the published levels are for one exposure, not for a sum."""
    known = [
        one.kerma_mgy
        for one in assessment.exposures
        if one.kerma_mgy is not None and not one.kerma_doubtful
    ]
    if not known:
        return []
    return [
        f"Of one exposure: median {writing.number(median(known), 2)} mGy, "
        f"from {writing.number(min(known), 2)} to "
        f"{writing.number(max(known), 2)} mGy. Published values for one exposure, to compare with:"
    ]


def unsure_links(assessment: StudyAssessed, writing: Writing) -> list[str]:
    """Tell each image of which it is not sure what exposure made it."""
    waiting = [one for one in assessment.exposures if one.use is ExposureUse.PROPOSED]
    proposed = {one.exposure_key for one in waiting}
    proposed_for = {one.sop_instance_uid for one in waiting}
    lines = []
    for image in _images_in_order(assessment):
        where = f"{writing.clock(image.acquired_at)}: image {image.sop_instance_uid}"
        if image.exposure_key in proposed or image.sop_instance_uid in proposed_for:
            sure = (
                ""
                if image.link_confidence is None
                else f", {writing.share(image.link_confidence)} sure"
            )
            lines.append(f"{where} has an exposure that waits for a person to confirm{sure}.")
        elif image.exposure_key is None:
            lines.append(f"{where} has no exposure; its settings and dose are not known.")
    return lines or ["None."]


def _in_order(assessment: StudyAssessed) -> list[ExposureResult]:
    return sorted(assessment.exposures, key=lambda one: (one.occurred_at, one.exposure_key))


def _images_in_order(assessment: StudyAssessed) -> list[ImageResult]:
    return sorted(assessment.images, key=lambda one: (one.acquired_at, one.sop_instance_uid))
