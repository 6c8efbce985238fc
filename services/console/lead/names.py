"""What a line of figures is called for a person: titles beside the codes that the figures hold."""

from collections.abc import Mapping
from datetime import date

from schemas.group import Group
from schemas.plans import Plan
from schemas.plans.model import PlannedDentition
from schemas.reject_reasons import reject_meaning
from services.console.views_lead import By

NOT_TOLD = "not told"


class Names:
    """The names of one site, or of the whole group where ``site`` is None."""

    def __init__(self, group: Group, plans: Mapping[str, Plan], site: str | None) -> None:
        self._sites = {one.name: one.title for one in group.sites}
        people = () if site is None else group.site(site).people
        self._people = {one.name: one.title for one in people}
        self._views = view_names(plans)

    def of(self, by: By, name: str) -> str:
        """Say a line's name in words, its code beside it where it has both."""
        if by is By.ALL:
            return "all together"
        if not name:
            return NOT_TOLD
        if by is By.TIME:
            day = date.fromisoformat(name)
            return day.isoformat()
        titles = {By.SITE: self._sites, By.OPERATOR: self._people, By.VIEW: self._views}.get(by, {})
        title = titles.get(name)
        return name if title is None else f"{title} ({name})"


def view_names(plans: Mapping[str, Plan]) -> dict[str, str]:
    """Name views by their codes; where plans differ, as the grown animal's plan does."""
    found: dict[str, str] = {}
    ordered = sorted(
        plans.values(), key=lambda one: (one.dentition is not PlannedDentition.PERMANENT, one.code)
    )
    for plan in ordered:
        for view in (*plan.views, *plan.substitutes):
            found.setdefault(view.code, view.name)
    return found


def reason_words(reason: str) -> str:
    """Say why images were rejected: the coded reason in its table's words."""
    code = reason.removeprefix("reason ").strip()
    meaning = reject_meaning(code)
    return f"{meaning} ({code})" if meaning is not None else reason or NOT_TOLD
