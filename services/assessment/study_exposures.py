"""The exposures of a study as its assessment shows them, with the dose of each and the sum."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from schemas.conclusions import (
    DoseBasis,
    DoseComparison,
    DoseResult,
    DoseVerdict,
    ExposureResult,
    ExposureUse,
)
from schemas.facts import ExposureEnded, ImageStored
from schemas.group import Site, Tube
from services.assessment.dose import ExposureDose, StudyDose, assess_dose
from services.assessment.dose_verdict import Comparison, Verdict, overall_of
from services.assessment.explained_dose import doubtful_words, explained_dose
from services.assessment.exposure_technique import (
    BeamField,
    ExposureTechnique,
    RectangularField,
    RoundField,
    TubeGeometry,
)
from services.assessment.memory import Remembered
from services.assessment.rules import Rules

_SHORTENED = 0.98
"""A delivered time below this share of the set time is taken as ended early."""


@dataclass(frozen=True, slots=True)
class StudyExposure:
    """One exposure of a study. ``summed``: its dose is this study's beyond doubt.

    ``others`` are the keys of further tellings of it; ``perhaps`` is the exposure that it may be
    another telling of.
    """

    key: str
    at: datetime
    told: ExposureEnded
    use: ExposureUse
    image: ImageStored | None = None
    confidence: float | None = None
    reasons: tuple[str, ...] = ()
    repeat: bool = False
    summed: bool = True
    others: tuple[str, ...] = ()
    perhaps: str | None = None


def ended_early(exposure: ExposureEnded) -> bool:
    """Tell whether the exposure was released before its set time."""
    return exposure.ended_early or exposure.exposure_ms < _SHORTENED * exposure.set_exposure_ms


def dose_of(
    exposures: Iterable[StudyExposure], site: Site, rules: Rules
) -> tuple[tuple[ExposureResult, ...], DoseResult]:
    """Give every exposure with its dose, by time, and the sum of those that count."""
    ordered = sorted(exposures, key=lambda one: (one.at, one.key))
    tubes = tubes_of(site)
    waiting = [one for one in ordered if not one.summed]
    summed = assess_dose(
        (_technique(one, site) for one in ordered if one.summed),
        tubes,
        limits=rules.limits,
        model=rules.model,
    )
    unsure = assess_dose(
        (_technique(one, site) for one in waiting), tubes, limits=None, model=rules.model
    )
    doses = {dose.fact_id: dose for dose in (*summed.exposures, *unsure.exposures)}
    results = tuple(_result(one, doses[one.key]) for one in ordered)
    return results, _sum(summed, len(waiting), rules)


_TUBES: Remembered[str, int, tuple[Site, dict[str, TubeGeometry]]] = Remembered(most=2_000)


def tubes_of(site: Site) -> dict[str, TubeGeometry]:
    """Read the tubes of a site's generators, by the generator's name.

    The same objects each time while the site is the same one, which is kept so that no other can
    have its id.
    """
    return _TUBES.get(site.name, id(site), lambda: (site, _tubes_of(site)))[1]


def _tubes_of(site: Site) -> dict[str, TubeGeometry]:
    return {
        device.name: geometry_of(device.tube)
        for device in site.generators()
        if device.tube is not None
    }


def geometry_of(tube: Tube) -> TubeGeometry:
    """Read a group's tube. Its field is told at the cone's end, so at its own distance."""
    field: BeamField | None = None
    if tube.field_diameter_mm is not None:
        field = RoundField(tube.field_diameter_mm, tube.source_to_skin_mm)
    elif tube.field_width_mm is not None and tube.field_height_mm is not None:
        field = RectangularField(tube.field_width_mm, tube.field_height_mm, tube.source_to_skin_mm)
    return TubeGeometry(
        filtration_mm_al=tube.total_filtration_mm_al,
        anode_angle_degrees=tube.anode_angle_degrees,
        source_to_skin_mm=tube.source_to_skin_mm,
        reference_distance_mm=tube.reference_distance_mm,
        field=field,
        waveform=tube.waveform,
        calibrations=tube.calibrations,
    )


def _technique(one: StudyExposure, site: Site) -> ExposureTechnique:
    """What the generator reported outranks what the image's header repeats."""
    told, image = one.told, one.image if one.use is ExposureUse.IMAGE else None
    kerma_mgy, kap_mgycm2 = told.reported_kerma_mgy, told.reported_kap_mgycm2
    if image is not None and kerma_mgy is None:
        kerma_mgy = image.entrance_kerma_mgy
    if image is not None and kap_mgycm2 is None:
        kap_mgycm2 = image.kap_mgycm2
    return ExposureTechnique(
        fact_id=one.key,
        tube=told.generator,
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        exposure_ms=told.exposure_ms,
        set_exposure_ms=told.set_exposure_ms,
        exposure_mas=told.exposure_mas,
        source_to_skin_mm=told.source_to_skin_mm,
        reported_kerma_mgy=kerma_mgy,
        reported_kap_mgycm2=kap_mgycm2,
        ended_early=ended_early(told),
        repeat=one.repeat,
        on=one.at.astimezone(site.zone).date(),
    )


def _result(one: StudyExposure, dose: ExposureDose) -> ExposureResult:
    told = one.told
    value = dose.kerma or dose.kap
    return ExposureResult(
        exposure_key=one.key,
        occurred_at=one.at,
        use=one.use,
        sop_instance_uid=one.image.sop_instance_uid if one.image is not None else None,
        link_confidence=one.confidence,
        link_reasons=one.reasons,
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        set_exposure_ms=told.set_exposure_ms,
        exposure_ms=told.exposure_ms,
        preset=told.preset,
        manual_setting=told.manual_setting,
        operator=told.operator,
        generator=told.generator,
        repeat=one.repeat,
        kerma_mgy=dose.kerma.kerma_mgy if dose.kerma is not None else None,
        kap_mgycm2=dose.kap.kap_mgycm2 if dose.kap is not None else None,
        dose_basis=DoseBasis(value.basis.value) if value is not None else DoseBasis.UNKNOWN,
        relative_uncertainty=value.relative_standard_uncertainty if value is not None else None,
        **explained_dose(dose),
    )


def _sum(dose: StudyDose, waiting: int, rules: Rules) -> DoseResult:
    total = dose.total
    references = rules.references.levels if rules.references is not None else ()
    return DoseResult(
        exposures=total.exposures,
        unknown_exposures=total.kerma_unknown,
        doubtful_exposures=sum(one.kerma_doubtful or one.kap_doubtful for one in dose.exposures),
        kerma_mgy=total.kerma_mgy or 0.0,
        kap_mgycm2=total.kap_mgycm2 or 0.0,
        kerma_with_doubtful_mgy=total.kerma_with_doubtful_mgy if total.kerma_doubtful else None,
        kap_with_doubtful_mgycm2=total.kap_with_doubtful_mgycm2 if total.kap_doubtful else None,
        repeats=dose.repeats.exposures,
        ended_early=dose.ended_early.exposures,
        kerma_repeats_mgy=dose.repeats.kerma_mgy or 0.0,
        kerma_ended_early_mgy=dose.ended_early.kerma_mgy or 0.0,
        kap_repeats_mgycm2=dose.repeats.kap_mgycm2 or 0.0,
        kap_ended_early_mgycm2=dose.ended_early.kap_mgycm2 or 0.0,
        relative_uncertainty=total.kerma_relative_standard_uncertainty,
        basis=tuple(DoseBasis(basis.value) for basis in total.kerma_bases),
        verdict=DoseVerdict(dose.verdict.value),
        words=_words(dose, waiting),
        comparisons=tuple(
            _comparison(one)
            for one in dose.comparisons
            if one.fact_id is None or one.verdict is not Verdict.WITHIN
        ),
        comparators=tuple(level.label() for level in references),
    )


_UNITS = {"kerma_mgy": "mGy", "kap_mgycm2": "mGy·cm²"}
_NOT_A_DOSIMETER = "An estimate: no measurement, and not a dosimeter."


def _words(dose: StudyDose, waiting: int) -> str:
    """The verdict with the study's figures, what needs a look, and the caution."""
    study = [c for c in dose.comparisons if c.fact_id is None]
    single = {c.fact_id for c in dose.comparisons if c.fact_id and c.verdict != "within"}
    figures = "; ".join(
        f"{_figure(c.value)} of {c.levels.notify:g} {_UNITS[c.quantity]}" for c in study
    )
    head = dose.words[0].rstrip(".")
    lines = [f"{head}: {figures}." if figures else f"{head}."]
    worst = overall_of(c.possible_verdict for c in study)
    if study and worst is not dose.verdict and worst in {Verdict.NOTIFY, Verdict.ALERT}:
        doubtful = " or with what is doubtful in it" if dose.total.kerma_doubtful else ""
        lines.append(f"With its uncertainty (k = 2){doubtful} it may reach the {worst} level.")
    lines += doubtful_words(dose)
    if single:
        lines.append(_counted(len(single), "exposure is", "exposures are") + " not within a level.")
    if waiting:
        verb = _counted(waiting, "exposure waits", "exposures wait")
        lines.append(f"{verb} for a person and stand in no sum.")
    return " ".join([*lines, _NOT_A_DOSIMETER])


def _figure(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _comparison(one: Comparison) -> DoseComparison:
    return DoseComparison(
        quantity=one.quantity,
        exposure_key=one.fact_id,
        value=one.value,
        upper_value=one.upper_value,
        notify=one.levels.notify,
        alert=one.levels.alert,
        verdict=DoseVerdict(one.verdict.value),
        possible_verdict=DoseVerdict(one.possible_verdict.value),
    )


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
