"""What a study holds of each tooth of its plan, for the tooth chart."""

from typing import NamedTuple

from schemas.teeth import Dentition, Species, dentition_of, teeth_of
from services.notes.study_shown import StudyShown
from services.notes.tooth_chart import ToothState


class Chart(NamedTuple):
    """One dentition's chart: ``tooth_chart_svg`` draws it."""

    species: Species
    dentition: Dentition
    states: dict[int, ToothState]


def charts_of(shown: StudyShown) -> tuple[Chart, ...]:
    """Give a chart for each dentition of the plan; none where species or plan are not known.

    A tooth that the species does not have is in no chart; the note's own words tell of it.
    """
    if shown.patient is None or not shown.views:
        return ()
    species = Species(shown.patient.species)
    states = _states(shown)
    charts = []
    for dentition in Dentition:
        teeth = teeth_of(species, dentition)
        own = {tooth: state for tooth, state in states.items() if tooth in teeth}
        planned = {tooth for view in shown.views for tooth in view.teeth}
        if any(dentition_of(tooth) is dentition for tooth in planned & teeth):
            charts.append(Chart(species, dentition, own))
    return tuple(charts)


def _states(shown: StudyShown) -> dict[int, ToothState]:
    states: dict[int, ToothState] = {}
    for view in shown.views:
        for tooth in view.teeth:
            if not view.excused:
                states[tooth] = ToothState.SHOWN
            else:
                states.setdefault(tooth, ToothState.EXCUSED)
    for image in shown.images_of_views():
        of_plan = (tooth for tooth in image.teeth if tooth in states)
        states |= dict.fromkeys(of_plan, ToothState.SHOWN)
    states |= dict.fromkeys(shown.teeth_without_view, ToothState.NOT_SHOWN)
    return states | dict.fromkeys(shown.absent_teeth, ToothState.ABSENT)
