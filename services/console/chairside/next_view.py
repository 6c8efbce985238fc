"""The view that is suggested next: how it is taken, what the chart sets for this animal. Pure."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from schemas.conclusions import StudyAssessed
from schemas.facts import AnimalSize, Receptor
from schemas.plans import Plan, View
from schemas.plans.model import Source
from schemas.techniques import TechniqueChart
from schemas.techniques.reminders import TechniqueReminder, load_technique_reminders
from services.console.views_chairside import NextView


@dataclass(frozen=True, slots=True)
class ExpectedSetting:
    """What the site's chart sets. ``why`` says for whom and where it comes from."""

    tube_kv: float
    tube_current_ma: float
    exposure_ms: float
    why: str


@dataclass(frozen=True, slots=True)
class NextCard:
    """``settings``: one where receptor and size are plain, else one for each that may hold;
    ``no_setting`` says why there is none. ``sources`` are the plan's."""

    title: str
    why: str
    teeth: tuple[int, ...]
    view: str
    planned: View | None
    reminder: TechniqueReminder | None
    settings: tuple[ExpectedSetting, ...]
    no_setting: str | None
    sources: tuple[Source, ...]


def next_card(
    suggested: NextView,
    study: StudyAssessed,
    plan: Plan | None,
    chart: TechniqueChart | None,
    receptors: Collection[Receptor],
) -> NextCard:
    """Put together what helps to take the next view. ``receptors``: those of the room."""
    view = suggested.view
    planned = plan.view(view.view) if plan is not None else None
    settings, none = _settings(study, view.teeth, chart, receptors)
    return NextCard(
        title=view.title,
        why=suggested.why,
        teeth=view.teeth,
        view=view.view,
        planned=planned,
        reminder=load_technique_reminders().of(planned.technique) if planned else None,
        settings=settings,
        no_setting=none,
        sources=plan.source if plan is not None else (),
    )


def _settings(
    study: StudyAssessed,
    teeth: Iterable[int],
    chart: TechniqueChart | None,
    receptors: Collection[Receptor],
) -> tuple[tuple[ExpectedSetting, ...], str | None]:
    if chart is None:
        return (), "The site has no technique chart: set by your own one."
    if study.patient is None:
        return (), "The animal is not known, so the chart gives no setting."
    weight = study.patient.weight
    size = chart.size_rule.size_of(study.patient.species, weight.kg if weight else None)
    sizes = list(AnimalSize) if size is None else [size]
    of_chart = {s.receptor for preset in chart.presets for s in preset.settings}
    asked = [one for one in Receptor if one in (receptors or of_chart)]
    found = tuple(
        ExpectedSetting(
            setting.tube_kv,
            setting.tube_current_ma,
            setting.exposure_ms,
            _why(study, wanted, receptor, preset.name, chart, known=size is not None),
        )
        for wanted in sizes
        for receptor in asked
        if (pair := chart.setting_for(teeth, receptor, wanted)) is not None
        for preset, setting in [pair]
    )
    return found, None if found else f"The chart '{chart.name}' has no setting for this view."


def _why(
    study: StudyAssessed,
    size: AnimalSize,
    receptor: Receptor,
    preset: str,
    chart: TechniqueChart,
    *,
    known: bool,
) -> str:
    weight = study.patient.weight if study.patient is not None else None
    animal = f"{size} animal"
    if not known:
        animal += ", if it is one: no weight is told"
    elif weight is not None:
        animal += f" ({weight.kg:.1f} kg)"
    kind = str(receptor).replace("_", " ")
    invented = ", invented: not for use" if chart.basis == "invented" else ""
    return f"{animal}, {kind}, preset {preset} (chart '{chart.name}'{invented})"
