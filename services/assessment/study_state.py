"""How far a study is, as a state and in the words of the room."""

from schemas.conclusions import StudyState, ViewStatus
from services.assessment.series import SeriesCheck
from services.assessment.series_views import NOT_SETTLED

_MOST_NAMED = 6
_LONGEST_NAME = 120


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


def state_words(check: SeriesCheck, state: StudyState, *, closed: bool) -> str:
    """Say the state in one line: how many views are done, what is still to take."""
    if state is StudyState.CANCELLED:
        return "Cancelled: nothing was taken."
    if not check.views:
        images = len(check.images)
        taken = "1 image" if images == 1 else f"{images} images"
        return f"{_head(state, closed)}: {taken}, no plan to check against."
    status = [view.status for view in check.views]
    parts = [f"{status.count(ViewStatus.DONE)} of {len(status)} views done"]
    if excused := status.count(ViewStatus.EXCUSED):
        parts.append(f"{excused} excused")
    left = [view for view in check.views if view.status in NOT_SETTLED]
    if not left:
        return f"{_head(state, closed)}: {', '.join(parts)}."
    names = [_short(view.title) for view in left[:_MOST_NAMED]]
    if len(left) > _MOST_NAMED:
        names.append(f"and {len(left) - _MOST_NAMED} more")
    to_go = "still missing" if closed else "to go"
    return f"{_head(state, closed)}: {', '.join(parts)}, {len(left)} {to_go}: {'; '.join(names)}."


def _head(state: StudyState, closed: bool) -> str:
    if state is StudyState.INCOMPLETE:
        return "Closed incomplete"
    words = state.value.replace("_", " ").capitalize()
    return f"{words} and closed" if closed else words


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"
