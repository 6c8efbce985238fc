"""Make plans from their descriptions."""

from collections.abc import Iterator, Mapping

from schemas.plans.derived.model import DerivedPlans, Excerpt, FollowUp, FollowUpView, ToothGroup
from schemas.plans.errors import PlanError
from schemas.plans.model import Plan, PlannedDentition, Region, Scope, View
from schemas.teeth import (
    Arch,
    Dentition,
    ToothKind,
    arch,
    dentition_of,
    kind,
    position,
    quadrant,
    teeth_of,
    tooth_name,
)


def derive_plans(described: DerivedPlans, plans: Mapping[str, Plan]) -> Iterator[Plan]:
    """Make every plan of a file. ``plans`` are those that an excerpt may be of.

    Raises PlanError where an excerpt names a plan or a view that is not there, or comes out empty.
    """
    for excerpt in described.excerpts:
        yield _excerpt(excerpt, plans)
    for follow_up in described.follow_ups:
        yield from _follow_ups(follow_up)


def _excerpt(excerpt: Excerpt, plans: Mapping[str, Plan]) -> Plan:
    whole = plans.get(excerpt.of)
    if whole is None:
        raise PlanError(
            excerpt.code,
            "of",
            excerpt.of,
            "the code of a plan written out in full",
            "Correct the code, or add that plan.",
        )
    for code in excerpt.views:
        if code not in {view.code for view in whole.views}:
            raise PlanError(
                excerpt.code,
                "views",
                code,
                f"the code of a view of plan {whole.code}",
                "Correct the code, or take it out.",
            )
    views = tuple(view for view in whole.views if _is_wanted(view, excerpt))
    if not views:
        raise PlanError(
            excerpt.code,
            "quadrants",
            list(excerpt.quadrants),
            f"a quadrant of which plan {whole.code} shows a tooth",
            "Correct the quadrants.",
        )
    codes = {view.code for view in views}
    substitutes = {view.code: view for view in (*whole.views, *whole.substitutes)}
    accepted = {code for view in views for code in view.alternatives} - codes
    return whole.model_copy(
        update={
            "code": excerpt.code,
            "name": excerpt.name,
            "scope": excerpt.scope,
            "dentition": excerpt.dentition or whole.dentition,
            "on_request_only": excerpt.on_request_only,
            "weight_min_kg": None if excerpt.on_request_only else whole.weight_min_kg,
            "weight_max_kg": None if excerpt.on_request_only else whole.weight_max_kg,
            "source": (*excerpt.source, *whole.source),
            "views": views,
            "substitutes": tuple(v for code, v in substitutes.items() if code in accepted),
        }
    )


def _is_wanted(view: View, excerpt: Excerpt) -> bool:
    if excerpt.views:
        return view.code in excerpt.views
    return not excerpt.quadrants or any(quadrant(t) in excerpt.quadrants for t in view.teeth)


def _follow_ups(follow_up: FollowUp) -> Iterator[Plan]:
    for dentition in Dentition:
        for tooth in sorted(teeth_of(follow_up.species, dentition)):
            yield _follow_up(follow_up, tooth)


def _follow_up(follow_up: FollowUp, tooth: int) -> Plan:
    words = in_room_words(tooth)
    code = f"{follow_up.species}-follow-up-{tooth}"
    group = next((g for g in follow_up.groups if _holds(g, tooth)), None)
    if group is None:
        raise PlanError(
            code,
            "groups",
            tooth,
            f"a group for {_region(tooth).value}",
            f"Add a group that holds {tooth} ({tooth_name(tooth)}).",
        )
    return Plan(
        code=code,
        name=f"{follow_up.species}, {words}, follow-up",
        species=follow_up.species,
        dentition=PlannedDentition(dentition_of(tooth).value),
        scope=Scope.SINGLE_TOOTH,
        on_request_only=True,
        source=follow_up.source,
        cautions=follow_up.cautions,
        views=tuple(_view(view, tooth, words) for view in group.views),
    )


def _view(view: FollowUpView, tooth: int, words: str) -> View:
    return View(
        code=f"t{tooth}-{view.suffix}",
        name=f"{words}, {view.words}",
        teeth=(tooth,),
        region=_region(tooth),
        technique=view.technique,
        receptor_size=view.receptor_size,
        positioning=view.positioning,
    )


def _holds(group: ToothGroup, tooth: int) -> bool:
    return group.region is _region(tooth) and (
        not group.positions or position(tooth) in group.positions
    )


def _region(tooth: int) -> Region:
    jaw = "maxillary" if arch(tooth) is Arch.MAXILLA else "mandibular"
    which = kind(tooth)
    if which is ToothKind.INCISOR:
        return Region(f"{jaw}_incisors")
    return Region(f"{jaw}_canine" if which is ToothKind.CANINE else f"{jaw}_cheek_teeth")


def in_room_words(tooth: int) -> str:
    """The tooth as plans name it: upper and lower for maxillary and mandibular."""
    return tooth_name(tooth).replace("maxillary", "upper").replace("mandibular", "lower")
