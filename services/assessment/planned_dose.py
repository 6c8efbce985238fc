"""What a study's planned views would give by the site's technique chart, each taken once.

Pure. It is no target: it says what the chart expects, so that a sum can be seen beside it.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from schemas.conclusions import DoseBasis, PlannedDose, ViewResult, ViewStatus
from schemas.facts import AnimalSize, Patient, Receptor
from schemas.group import Site
from schemas.outputs import SpectrumModel
from schemas.techniques import TechniqueChart, TechniqueSetting
from services.assessment.dose import DoseSum, doses_of, sum_doses
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.study_exposures import StudyExposure

Kind = TypeVar("Kind")


@dataclass(frozen=True, slots=True)
class PlannedFor:
    """What the chart is read for; None is not known, and then nothing is expected."""

    receptor: Receptor | None
    size: AnimalSize | None
    tube: str | None


def planned_for(
    exposures: Sequence[StudyExposure],
    site: Site,
    room: str,
    chart: TechniqueChart,
    patient: Patient | None,
) -> PlannedFor:
    """Find receptor, size and tube: as the exposures tell, else as the room has only one.

    The size is that of the chart's rule for the animal, not that which was set.
    """
    receptors = {one.told.receptor for one in exposures if one.told.receptor is not None}
    if not receptors:
        receptors = {s.receptor for s in site.sensors if s.room == room and s.receptor is not None}
    tubes = {one.told.generator for one in exposures}
    if not tubes:
        tubes = {device.name for device in site.generators() if device.room == room}
    weight = patient.weight if patient is not None else None
    weight_kg = weight.kg if weight is not None else None
    return PlannedFor(
        receptor=_only(receptors),
        size=chart.size_rule.size_of(patient.species, weight_kg) if patient is not None else None,
        tube=_only(tubes),
    )


def planned_dose(
    views: Sequence[ViewResult],
    wanted: PlannedFor,
    chart: TechniqueChart,
    tubes: Mapping[str, TubeGeometry],
    model: SpectrumModel | None,
) -> PlannedDose | None:
    """Sum what the chart expects of the planned views that are not excused; None without any."""
    asked = [view for view in views if view.status is not ViewStatus.EXCUSED]
    if not asked:
        return None
    missing = _missing(wanted)
    settings = {view.view: _setting(view, wanted, chart) for view in asked}
    known = [view for view in asked if settings[view.view] is not None]
    total = _sum(known, settings, wanted, tubes, model)
    done = [view for view in known if view.status is ViewStatus.DONE]
    of_done = _sum(done, settings, wanted, tubes, model)
    return PlannedDose(
        chart=chart.code,
        chart_basis=chart.basis,
        views=len(asked),
        views_without_setting=len(asked) - len(known),
        kerma_mgy=total.kerma_mgy,
        kap_mgycm2=total.kap_mgycm2,
        kerma_of_done_mgy=of_done.kerma_mgy if done else 0.0,
        kap_of_done_mgycm2=of_done.kap_mgycm2 if done else 0.0,
        relative_uncertainty=total.kerma_relative_standard_uncertainty,
        basis=tuple(DoseBasis(basis.value) for basis in total.kerma_bases),
        words=_words(chart, len(asked), len(known), total, missing),
    )


def _only(found: Collection[Kind]) -> Kind | None:
    return next(iter(found)) if len(found) == 1 else None


def _missing(wanted: PlannedFor) -> tuple[str, ...]:
    told = {
        "the receptor": wanted.receptor,
        "the animal's size": wanted.size,
        "the X-ray set": wanted.tube,
    }
    return tuple(name for name, value in told.items() if value is None)


def _setting(
    view: ViewResult, wanted: PlannedFor, chart: TechniqueChart
) -> TechniqueSetting | None:
    """Read what the chart sets for a view."""
    if wanted.receptor is None or wanted.size is None:
        return None
    found = chart.setting_for(view.teeth, wanted.receptor, wanted.size)
    return found[1] if found is not None else None


def _sum(
    views: Sequence[ViewResult],
    settings: Mapping[str, TechniqueSetting | None],
    wanted: PlannedFor,
    tubes: Mapping[str, TubeGeometry],
    model: SpectrumModel | None,
) -> DoseSum:
    techniques = [
        ExposureTechnique(
            fact_id=f"planned:{view.view}",
            tube=wanted.tube or "",
            tube_kv=setting.tube_kv,
            tube_current_ma=setting.tube_current_ma,
            exposure_ms=setting.exposure_ms,
        )
        for view in views
        if (setting := settings[view.view]) is not None
    ]
    return sum_doses(doses_of(techniques, tubes, model))


def _words(
    chart: TechniqueChart, views: int, known: int, total: DoseSum, missing: Sequence[str]
) -> str:
    invented = ", an invented chart" if chart.basis == "invented" else ""
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        return f"Not expected from the chart '{chart.code}': {', '.join(missing)} {verb} not plain."
    if total.kerma_mgy is None or known == 0:
        return f"The chart '{chart.code}'{invented} gives no dose for these views."
    area = f" and {total.kap_mgycm2:.3g} mGy·cm²" if total.kap_mgycm2 is not None else ""
    left = f"; {views - known} have no setting in it and are in no sum" if known < views else ""
    return (
        f"The chart '{chart.code}'{invented} expects {total.kerma_mgy:.3g} mGy{area} for "
        f"{known} of {views} planned views, each taken once{left}."
    )
