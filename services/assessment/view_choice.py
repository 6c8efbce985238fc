"""Which planned view an image shows, by a person's word, its own claim, or its teeth."""

from dataclasses import dataclass
from enum import StrEnum

from schemas.plans import Plan, View


class Choice(StrEnum):
    """How an image came to its view, or why it has none."""

    ASSIGNED = "assigned"
    CLAIMED = "claimed"
    TEETH = "teeth"
    EXTRA = "extra"
    AMBIGUOUS = "ambiguous"
    CONTRADICTORY = "contradictory"
    NOTHING_TOLD = "nothing_told"


@dataclass(frozen=True, slots=True)
class ViewChoice:
    """``view`` is a code of the plan or None; ``candidates`` are those that it might be."""

    choice: Choice
    view: str | None = None
    candidates: tuple[str, ...] = ()


def choose_view(
    plan: Plan | None,
    *,
    assigned: str | None,
    claimed: str | None,
    teeth: frozenset[int],
    absent: frozenset[int] = frozenset(),
    uncertain: frozenset[int] = frozenset(),
) -> ViewChoice:
    """Choose the view, or substitute, of ``plan`` that an image counts for.

    Teeth alone decide only where the image shows every tooth present of the view and one view
    fits best: nothing is guessed. ``uncertain`` positions may be empty, and an image need
    not name them.
    """
    if plan is None:
        return ViewChoice(Choice.EXTRA if assigned or claimed or teeth else Choice.NOTHING_TOLD)
    if assigned is not None:
        view = plan.view(assigned)
        return ViewChoice(Choice.ASSIGNED if view else Choice.EXTRA, view.code if view else None)
    view = plan.view(claimed) if claimed is not None else None
    if view is not None:
        agrees = not teeth or bool(teeth & set(view.teeth))
        choice = Choice.CLAIMED if agrees else Choice.CONTRADICTORY
        return ViewChoice(choice, view.code if agrees else None, (view.code,))
    if teeth:
        return _by_teeth(plan, teeth, absent, uncertain)
    return ViewChoice(Choice.EXTRA if claimed is not None else Choice.NOTHING_TOLD)


def _by_teeth(
    plan: Plan, teeth: frozenset[int], absent: frozenset[int], uncertain: frozenset[int]
) -> ViewChoice:
    fitting = _fitting(plan.views, teeth, absent, uncertain) or _fitting(
        plan.substitutes, teeth, absent, uncertain
    )
    if not fitting:
        return ViewChoice(Choice.EXTRA)
    best = max(share for share, _ in fitting)
    candidates = tuple(code for share, code in fitting if share == best)
    if len(candidates) > 1:
        return ViewChoice(Choice.AMBIGUOUS, None, candidates)
    return ViewChoice(Choice.TEETH, candidates[0], candidates)


def _fitting(
    views: tuple[View, ...],
    teeth: frozenset[int],
    absent: frozenset[int],
    uncertain: frozenset[int],
) -> list[tuple[float, str]]:
    """Views whose every present tooth the image shows, with the shared part of all teeth."""
    fitting = []
    for view in views:
        present = frozenset(view.teeth) - absent
        wanted = present - uncertain or present
        if wanted and wanted <= teeth:
            fitting.append((len(wanted) / len(teeth | wanted), view.code))
    return fitting
