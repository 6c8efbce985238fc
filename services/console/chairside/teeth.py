"""The tooth chart of the board: where a tooth stands, its state, and the same as a list. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from schemas.conclusions import StudyAssessed
from schemas.teeth import Dentition, Species, dentition_of, teeth_of, tooth_name
from schemas.tooth_layout import MouthLayout, ToothBox, mouth_layout
from services.console.views_chairside import ToothState

STATE_WORDS: Final[Mapping[ToothState, str]] = {
    ToothState.MISSING: "missing",
    ToothState.NEEDS_PERSON: "needs a person",
    ToothState.COVERED: "covered",
    ToothState.EXCUSED: "excused",
    ToothState.ABSENT: "not there",
}
"""In the order of what wants a look first."""


@dataclass(frozen=True, slots=True)
class DrawnTooth:
    """``state``: None where the plan asks nothing of the tooth. ``is_next``: of the next view."""

    box: ToothBox
    state: ToothState | None
    is_next: bool


@dataclass(frozen=True, slots=True)
class ToothChart:
    """One dentition of the mouth, to be drawn."""

    species: Species
    dentition: Dentition
    layout: MouthLayout
    teeth: tuple[DrawnTooth, ...]


@dataclass(frozen=True, slots=True)
class ToothGroup:
    """All teeth of one state, for the legend and for who does not see the drawing."""

    state: ToothState
    words: str
    teeth: tuple[tuple[int, str], ...]


def tooth_charts(
    study: StudyAssessed, states: Mapping[int, ToothState], next_teeth: frozenset[int]
) -> tuple[ToothChart, ...]:
    """Give a chart for each dentition that the plan asks for; none where the species is unknown."""
    if study.patient is None:
        return ()
    species = Species(study.patient.species)
    charts = []
    for dentition in Dentition:
        teeth = teeth_of(species, dentition)
        if not any(tooth in teeth and dentition_of(tooth) is dentition for tooth in states):
            continue
        layout = mouth_layout(species, dentition)
        drawn = tuple(
            DrawnTooth(box, states.get(box.tooth), box.tooth in next_teeth) for box in layout.boxes
        )
        charts.append(ToothChart(species, dentition, layout, drawn))
    return tuple(charts)


def tooth_groups(states: Mapping[int, ToothState]) -> tuple[ToothGroup, ...]:
    """Group the teeth by state; a state without teeth is left out."""
    groups = []
    for state, words in STATE_WORDS.items():
        own = tuple((t, _named(t)) for t in sorted(states) if states[t] is state)
        if own:
            groups.append(ToothGroup(state, words, own))
    return tuple(groups)


def _named(tooth: int) -> str:
    try:
        return tooth_name(tooth)
    except ValueError:
        return "no tooth of this animal"
