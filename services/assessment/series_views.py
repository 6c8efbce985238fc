"""What became of each planned view, and the fewest further views that complete the series."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from schemas.conclusions import ViewResult, ViewStatus
from schemas.plans import Plan, Scope, View
from services.assessment.set_cover import Cover, prove_smallest

NOT_SETTLED: Final = frozenset({ViewStatus.MISSING, ViewStatus.NEEDS_PERSON})


@dataclass(frozen=True, slots=True)
class SeriesImage:
    """One image as the series sees it. ``doubts`` keep it from counting until a person assigns
    it to a view; ``rejected`` says why it was rejected; ``decided_by`` are the facts by which a
    person assigned or rejected it."""

    uid: str
    fact_key: str
    acquired_at: datetime
    teeth: frozenset[int] = frozenset()
    claimed: str | None = None
    assigned: str | None = None
    rejected: str | None = None
    doubts: tuple[str, ...] = ()
    decided_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SeriesTold:
    """The facts behind the plan, the excused views and the teeth charted absent."""

    plan: tuple[str, ...] = ()
    excused: Mapping[str, str] = field(default_factory=dict)
    absent: Mapping[int, str] = field(default_factory=dict)


NOTHING_TOLD: Final = SeriesTold()


def view_result(
    view: View,
    shown: Mapping[str, list[SeriesImage]],
    counting: Mapping[str, SeriesImage | None],
    undecided: Mapping[str, list[SeriesImage]],
    excused: Mapping[str, str],
    absent: frozenset[int],
    told: SeriesTold,
) -> ViewResult:
    """Say what became of one planned view, and by which facts."""
    # Its own images first, then those of the planned views that may stand for it.
    code = next(
        (c for c in (view.code, *view.alternatives) if counting.get(c) is not None), view.code
    )
    counts = counting.get(code)
    images = shown.get(code, [])
    waiting = [image for image in undecided.get(view.code, []) if image.rejected is None]
    charted = {told.absent[tooth] for tooth in view.teeth if tooth in told.absent}
    keys = set(told.plan)
    if counts is not None:
        status = ViewStatus.DONE
        words = "done" if code == view.code else f"done by {code} in its place"
        rule = "view-done" if code == view.code else "view-done-by-alternative"
    elif view.code in excused:
        status, words, rule = ViewStatus.EXCUSED, excused[view.code], "view-excused"
        keys |= {told.excused[view.code]} if view.code in told.excused else set()
    elif absent.issuperset(view.teeth):
        status, rule = ViewStatus.EXCUSED, "view-of-absent-teeth"
        keys |= charted
        # Common practice, no published source.
        words = "every tooth is absent by the chart; the vet may want it for retained roots"
    elif waiting:
        status, rule = ViewStatus.NEEDS_PERSON, "view-waits-for-person"
        words = "an image may show it: a person decides"
    elif images:
        status, words, rule = ViewStatus.MISSING, "its image was rejected", "view-only-rejected"
    else:
        status, words, rule = ViewStatus.MISSING, "no image yet", "view-has-no-image"
    seen = images or waiting
    keys |= {key for image in seen for key in (image.fact_key, *image.decided_by)}
    return ViewResult(
        view=view.code,
        title=view.name,
        teeth=view.teeth,
        status=status,
        images=tuple(image.uid for image in seen),
        words=words,
        rule=rule,
        facts=tuple(sorted(keys)),
    )


def missing_words(view: ViewResult) -> str:
    """Name a view that is not settled, as a technician would."""
    if view.status is ViewStatus.MISSING:
        return view.title
    return f"{view.title} ({view.words})"[:2000]


def uncovered_teeth(
    plan: Plan,
    views: Sequence[ViewResult],
    counting: Mapping[str, SeriesImage | None],
    absent: frozenset[int],
    uncertain: frozenset[int],
) -> frozenset[int]:
    """Planned teeth that are present, that no counting image shows and that nobody excused.

    A view also settles its own ``uncertain`` positions: it shows whether anything is there.
    """
    covered = set(absent)
    for code, image in counting.items():
        if image is not None:
            view = plan.view(code)
            told_by_view = view is not None and (not image.teeth or image.assigned is not None)
            covered |= image.teeth
            if view is not None:
                covered |= set(view.teeth) if told_by_view else set(view.teeth) & uncertain
    wanted = {
        tooth for view in views if view.status is not ViewStatus.EXCUSED for tooth in view.teeth
    }
    return frozenset(wanted - covered)


def suggestion(
    plan: Plan, views: Sequence[ViewResult], uncovered: frozenset[int]
) -> tuple[tuple[str, ...], str | None]:
    """Give the fewest further views, and why fewer cannot do.

    For a single tooth every view has its own purpose, so all that are left are wanted.
    """
    if plan.scope is Scope.SINGLE_TOOTH:
        left = tuple(view.view for view in views if view.status in NOT_SETTLED)
        words = "Each view of a single tooth is wanted for itself." if left else None
        return left, words
    offered = {
        view.view: frozenset(view.teeth)
        for view in sorted(views, key=lambda view: view.status is ViewStatus.DONE)
        if view.status is not ViewStatus.EXCUSED
    }
    cover = prove_smallest(uncovered, offered)
    return cover.keys, _why_fewest(cover) if cover.keys else None


def _why_fewest(cover: Cover[str, int]) -> str:
    count = len(cover.keys)
    if count == 1:
        return "1 further view shows every tooth that is left."
    lead = f"{count} further views show every tooth that is left; fewer cannot:"
    if cover.proven_by_witnesses:
        teeth = ", ".join(str(tooth) for tooth in sorted(cover.witnesses))
        return f"{lead} no view shows two of {teeth}."
    return f"{lead} every smaller choice of views was tried."
