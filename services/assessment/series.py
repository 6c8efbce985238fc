"""What a study's images make of its plan: done, missing, excused, or for a person to decide."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from schemas.conclusions import ImageUse, Question, StudyState, ViewResult, ViewStatus
from schemas.plans import Plan, Scope, View
from services.assessment.set_cover import smallest_cover
from services.assessment.view_choice import Choice, ViewChoice, choose_view


@dataclass(frozen=True, slots=True)
class SeriesImage:
    """One image as the series sees it. ``doubts`` keep it from counting until a person assigns
    it to a view; ``rejected`` says why it was rejected."""

    uid: str
    fact_key: str
    acquired_at: datetime
    teeth: frozenset[int] = frozenset()
    claimed: str | None = None
    assigned: str | None = None
    rejected: str | None = None
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ImagePart:
    """What an image does for its study. ``superseded``: another image of its view counts."""

    use: ImageUse
    view: str | None
    words: str
    superseded: bool = False


@dataclass(frozen=True, slots=True)
class SeriesCheck:
    """The plan against the images. Empty views mean that there is no plan to check against."""

    views: tuple[ViewResult, ...] = ()
    images: Mapping[str, ImagePart] = field(default_factory=dict)
    still_missing: tuple[str, ...] = ()
    suggested_views: tuple[str, ...] = ()
    teeth_without_view: tuple[int, ...] = ()
    questions: tuple[Question, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether every planned view is done or excused."""
        return all(v.status in {ViewStatus.DONE, ViewStatus.EXCUSED} for v in self.views)


def check_series(
    plan: Plan | None,
    images: Iterable[SeriesImage],
    *,
    excused: Mapping[str, str] | None = None,
    absent: frozenset[int] = frozenset(),
) -> SeriesCheck:
    """Check a plan. ``excused`` maps view codes to reasons; the order of images is no matter."""
    ordered = sorted(images, key=lambda image: (image.acquired_at, image.uid))
    choices = {
        image.uid: choose_view(
            plan,
            assigned=image.assigned,
            claimed=image.claimed,
            teeth=image.teeth,
            absent=absent,
        )
        for image in ordered
    }
    planned_for = _planned_for(plan)
    shown: dict[str, list[SeriesImage]] = {}
    undecided: dict[str, list[SeriesImage]] = {}
    for image in ordered:
        choice = choices[image.uid]
        if _is_open(image, choice):
            for code in choice.candidates:
                undecided.setdefault(planned_for.get(code, code), []).append(image)
        elif choice.view is not None:
            shown.setdefault(planned_for.get(choice.view, choice.view), []).append(image)
    counting = {
        code: next((i for i in reversed(candidates) if i.rejected is None), None)
        for code, candidates in shown.items()
    }
    parts = {
        image.uid: _part(plan, image, choices[image.uid], planned_for, counting)
        for image in ordered
    }
    questions = tuple(
        _question(plan, image, choices[image.uid])
        for image in ordered
        if image.rejected is None
        and not image.doubts  # whoever found a doubt asks about it
        and _is_open(image, choices[image.uid])
    )
    if plan is None:
        return SeriesCheck(images=parts, questions=questions)

    views = tuple(
        _view_result(view, shown, counting, undecided, excused or {}, absent) for view in plan.views
    )
    uncovered = _uncovered(plan, views, counting, absent)
    return SeriesCheck(
        views=views,
        images=parts,
        still_missing=tuple(_missing_words(v) for v in views if v.status in _NOT_SETTLED),
        suggested_views=_suggested(plan, views, uncovered),
        teeth_without_view=tuple(sorted(uncovered)),
        questions=questions,
    )


_NOT_SETTLED = frozenset({ViewStatus.MISSING, ViewStatus.NEEDS_PERSON})


def state_of(check: SeriesCheck, *, begun: bool, closed: bool, cancelled: bool) -> StudyState:
    """Tell how far a study is. ``begun``: it has an image or an exposure."""
    if cancelled and not begun:
        return StudyState.CANCELLED
    if closed:
        return StudyState.COMPLETE if check.settled else StudyState.INCOMPLETE
    if not begun:
        return StudyState.PLANNED
    # Without a plan nobody but a person can say that a study is complete.
    return StudyState.COMPLETE if check.views and check.settled else StudyState.UNDER_WAY


def _planned_for(plan: Plan | None) -> dict[str, str]:
    """Map each substitute to the first planned view that accepts it."""
    if plan is None:
        return {}
    found: dict[str, str] = {}
    for substitute in plan.substitutes:
        for view in plan.views:
            if substitute.code in view.alternatives:
                found.setdefault(substitute.code, view.code)
    return found


def _is_open(image: SeriesImage, choice: ViewChoice) -> bool:
    """Whether only a person can say what the image counts for."""
    if image.assigned is not None:
        return False
    open_choices = {Choice.AMBIGUOUS, Choice.CONTRADICTORY, Choice.NOTHING_TOLD}
    return bool(image.doubts) or choice.choice in open_choices


def _part(
    plan: Plan | None,
    image: SeriesImage,
    choice: ViewChoice,
    planned_for: Mapping[str, str],
    counting: Mapping[str, SeriesImage | None],
) -> ImagePart:
    code = planned_for.get(choice.view, choice.view) if choice.view is not None else None
    if _is_open(image, choice):
        code = None
    counts = counting.get(code) if code is not None else None
    superseded = counts is not None and counts.uid != image.uid
    title = _title(plan, code)
    if image.rejected is not None:
        return ImagePart(ImageUse.REJECTED, code, f"rejected: {image.rejected}", superseded)
    if _is_open(image, choice):
        return ImagePart(ImageUse.UNASSIGNED, None, _open_words(plan, image, choice))
    if code is None:
        words = "shows no planned view" if plan is not None else "there is no plan to count it for"
        return ImagePart(ImageUse.EXTRA, None, words)
    if superseded:
        return ImagePart(ImageUse.REPEAT, code, f"{title}, replaced by a later image", True)
    how = {
        Choice.ASSIGNED: "assigned by a person",
        Choice.CLAIMED: "as the image says",
        Choice.TEETH: "by its teeth",
    }[choice.choice]
    return ImagePart(ImageUse.VIEW, code, f"{title}, {how}")


def _title(plan: Plan | None, code: str | None) -> str:
    view = plan.view(code) if plan is not None and code is not None else None
    return view.name if view else str(code)


def _open_words(plan: Plan | None, image: SeriesImage, choice: ViewChoice) -> str:
    if image.doubts:
        return "; ".join(image.doubts)
    names = " or ".join(_title(plan, code) for code in choice.candidates)
    if choice.choice is Choice.AMBIGUOUS:
        return f"may be {names}"
    if choice.choice is Choice.CONTRADICTORY:
        return f"says {names}, but names other teeth"
    return "names neither view nor teeth"


def _question(plan: Plan | None, image: SeriesImage, choice: ViewChoice) -> Question:
    words = f"Which view is this image? It {_open_words(plan, image, choice)}."
    return Question(code="image-without-view", words=words, about=(image.fact_key,))


def _view_result(
    view: View,
    shown: Mapping[str, list[SeriesImage]],
    counting: Mapping[str, SeriesImage | None],
    undecided: Mapping[str, list[SeriesImage]],
    excused: Mapping[str, str],
    absent: frozenset[int],
) -> ViewResult:
    # Its own images first, then those of the planned views that may stand for it.
    code = next(
        (c for c in (view.code, *view.alternatives) if counting.get(c) is not None), view.code
    )
    counts = counting.get(code)
    images = shown.get(code, [])
    waiting = [image for image in undecided.get(view.code, []) if image.rejected is None]
    if counts is not None:
        status = ViewStatus.DONE
        words = "done" if code == view.code else f"done by {code} in its place"
    elif view.code in excused:
        status, words = ViewStatus.EXCUSED, excused[view.code]
    elif absent.issuperset(view.teeth):
        status = ViewStatus.EXCUSED
        # Common practice, no published source.
        words = "every tooth is absent by the chart; the vet may want it for retained roots"
    elif waiting:
        status, words = ViewStatus.NEEDS_PERSON, "an image may show it: a person decides"
    elif images:
        status, words = ViewStatus.MISSING, "its image was rejected"
    else:
        status, words = ViewStatus.MISSING, "no image yet"
    return ViewResult(
        view=view.code,
        title=view.name,
        teeth=view.teeth,
        status=status,
        images=tuple(image.uid for image in images or waiting),
        words=words,
    )


def _missing_words(view: ViewResult) -> str:
    return view.title if view.status is ViewStatus.MISSING else f"{view.title} ({view.words})"


def _uncovered(
    plan: Plan,
    views: Sequence[ViewResult],
    counting: Mapping[str, SeriesImage | None],
    absent: frozenset[int],
) -> frozenset[int]:
    """Planned teeth that are present, that no counting image shows and that nobody excused."""
    covered = set(absent)
    for code, image in counting.items():
        if image is not None:
            view = plan.view(code)
            told_by_view = view is not None and (not image.teeth or image.assigned is not None)
            covered |= image.teeth
            covered |= set(view.teeth) if view is not None and told_by_view else set()
    wanted = {
        tooth for view in views if view.status is not ViewStatus.EXCUSED for tooth in view.teeth
    }
    return frozenset(wanted - covered)


def _suggested(
    plan: Plan, views: Sequence[ViewResult], uncovered: frozenset[int]
) -> tuple[str, ...]:
    """The smallest set of further views; for a single tooth every view has its own purpose."""
    if plan.scope is Scope.SINGLE_TOOTH:
        return tuple(view.view for view in views if view.status in _NOT_SETTLED)
    offered = {
        view.view: frozenset(view.teeth)
        for view in sorted(views, key=lambda view: view.status is ViewStatus.DONE)
        if view.status is not ViewStatus.EXCUSED
    }
    return smallest_cover(uncovered, offered)
