"""What a study's images make of its plan: done, missing, excused, or for a person to decide."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from schemas.conclusions import ImageUse, Question, ViewResult, ViewStatus
from schemas.plans import Plan, Technique
from services.assessment.positions import read_absent, read_teeth, uncertain_positions
from services.assessment.series_views import (
    NOT_SETTLED,
    NOTHING_TOLD,
    SeriesImage,
    SeriesTold,
    missing_words,
    suggestion,
    uncovered_teeth,
    view_result,
)
from services.assessment.view_choice import Choice, ViewChoice, choose_view


@dataclass(frozen=True, slots=True)
class ImagePart:
    """What an image does for its study. ``superseded``: another image of its view counts."""

    use: ImageUse
    view: str | None
    words: str
    rule: str
    superseded: bool = False
    facts: tuple[str, ...] = ()
    rejected: str | None = None
    technique: Technique | None = None


@dataclass(frozen=True, slots=True)
class SeriesCheck:
    """The plan against the images. Empty views mean that there is no plan to check against."""

    views: tuple[ViewResult, ...] = ()
    images: Mapping[str, ImagePart] = field(default_factory=dict)
    still_missing: tuple[str, ...] = ()
    suggested_views: tuple[str, ...] = ()
    suggestion_words: str | None = None
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
    told: SeriesTold = NOTHING_TOLD,
) -> SeriesCheck:
    """Check a plan. ``excused`` maps view codes to reasons; the order of images is no matter.

    ``told`` holds the facts behind the plan and behind what was excused or charted.
    """
    ordered = sorted(
        (replace(image, teeth=read_teeth(plan, image.teeth)) for image in images),
        key=lambda image: (image.acquired_at, image.uid),
    )
    absent, uncertain = read_absent(plan, absent), uncertain_positions(plan)
    choices = {
        image.uid: choose_view(
            plan,
            assigned=image.assigned,
            claimed=image.claimed,
            teeth=image.teeth,
            absent=absent,
            uncertain=uncertain,
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
        image.uid: replace(
            _with_facts(
                _part(plan, image, choices[image.uid], planned_for, counting),
                image,
                counting,
                told,
            ),
            technique=_technique(plan, choices[image.uid]),
        )
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
        view_result(view, shown, counting, undecided, excused or {}, absent, told)
        for view in plan.views
    )
    uncovered = uncovered_teeth(plan, views, counting, absent, uncertain)
    suggested, why_fewest = suggestion(plan, views, uncovered)
    return SeriesCheck(
        views=views,
        images=parts,
        still_missing=tuple(missing_words(v) for v in views if v.status in NOT_SETTLED),
        suggested_views=suggested,
        suggestion_words=why_fewest,
        teeth_without_view=tuple(sorted(uncovered)),
        questions=questions,
    )


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
        words = f"rejected: {image.rejected}"
        return ImagePart(ImageUse.REJECTED, code, words, "image-rejected", superseded)
    if _is_open(image, choice):
        rule = "image-in-doubt" if image.doubts else f"image-{choice.choice}".replace("_", "-")
        return ImagePart(ImageUse.UNASSIGNED, None, _open_words(plan, image, choice), rule)
    if code is None:
        words = "shows no planned view" if plan is not None else "there is no plan to count it for"
        return ImagePart(ImageUse.EXTRA, None, words, "image-beyond-plan")
    if superseded:
        words = f"{title}, replaced by a later image"
        return ImagePart(ImageUse.REPEAT, code, words, "latest-image-counts", True)
    how, rule = {
        Choice.ASSIGNED: ("assigned by a person", "view-assigned"),
        Choice.CLAIMED: ("as the image says", "view-as-image-claims"),
        Choice.TEETH: ("by its teeth", "view-by-teeth"),
    }[choice.choice]
    return ImagePart(ImageUse.VIEW, code, f"{title}, {how}", rule)


def _with_facts(
    part: ImagePart,
    image: SeriesImage,
    counting: Mapping[str, SeriesImage | None],
    told: SeriesTold,
) -> ImagePart:
    """Add the facts that an image's part rests on: its own, the plan's, and those of the image
    that counts in its place."""
    keys = {image.fact_key, *image.decided_by, *told.plan}
    counts = counting.get(part.view) if part.superseded and part.view is not None else None
    if counts is not None:
        keys |= {counts.fact_key, *counts.decided_by}
    return replace(part, facts=tuple(sorted(keys)), rejected=image.rejected)


def _technique(plan: Plan | None, choice: ViewChoice) -> Technique | None:
    view = plan.view(choice.view) if plan is not None and choice.view is not None else None
    return view.technique if view is not None else None


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
    return Question(
        code="image-without-view",
        words=words[:2000],
        about=(image.fact_key,),
        rule="image-in-doubt" if image.doubts else f"image-{choice.choice}".replace("_", "-"),
    )
