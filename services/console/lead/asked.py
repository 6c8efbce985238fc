"""What a lead asks for, as it stands in the address: period, sites, by what, narrowed to what.

Pure. The addresses of further questions are made here, so that each figure can be followed.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, Final
from urllib.parse import urlencode

from schemas.errors import InvalidInput
from services.console.tables import end_of_month, month_of
from services.console.views_lead import MOST_SITE_DAYS, Asked, By

EARLIEST: Final = date(2000, 1, 1)
LATEST: Final = date(2199, 12, 31)
"""Days beyond these are slips of the keyboard; both are invented."""
NARROWED: Final = ("operator", "device", "view", "species")
OF_A_SITE: Final = frozenset({By.OPERATOR, By.DEVICE})
"""Names of people and machines are a site's own: over several sites they mean nothing."""


@dataclass(frozen=True, slots=True)
class Period:
    words: str
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class LeadAsked:
    """One question of a lead. ``site`` None: all sites together. ``after``: where a page begins."""

    first: date
    last: date
    by: By
    site: str | None = None
    only: Mapping[str, str] = field(default_factory=dict)
    after: str | None = None

    def __post_init__(self) -> None:
        for name, day in (("first", self.first), ("last", self.last)):
            if not EARLIEST <= day <= LATEST:
                raise InvalidInput(name, day.isoformat(), f"a day from {EARLIEST} to {LATEST}")
        if self.last < self.first:
            raise InvalidInput("last", self.last.isoformat(), f"{self.first} or later")

    @property
    def base(self) -> str:
        return "/lead" if self.site is None else f"/sites/{self.site}/lead"

    @property
    def names_people(self) -> bool:
        """Tell whether people of a site would be named in the answer."""
        return self.by is By.OPERATOR or "operator" in self.only

    @property
    def question(self) -> Asked:
        """What the read model is asked."""
        sites = None if self.site is None else (self.site,)
        return Asked(self.first, self.last, sites, self.only)

    def address(self, **changed: Any) -> str:
        """Give the address of this question with some of it changed; people have their own."""
        other = replace(self, **({"after": None} | changed))
        page = "/people" if other.names_people and other.site is not None else ""
        return f"{other.base}{page}?{other.query}"

    def file(self, name: str) -> str:
        """Give the address of a file of the same figures, all of them."""
        return f"{self.base}/{name}?{replace(self, after=None).query}"

    @property
    def teach(self) -> str:
        return f"{self.base}/teach?{urlencode({'first': self.first, 'last': self.last})}"

    @property
    def query(self) -> str:
        told: dict[str, Any] = {"first": self.first, "last": self.last, "by": self.by.value}
        told |= {name: self.only[name] for name in NARROWED if name in self.only}
        return urlencode(told | ({"after": self.after} if self.after else {}))

    def narrowed(self, name: str, value: str, by: By) -> str | None:
        """Give the address of one line's own figures; None where no page can sum them in time."""
        if not value:
            return None
        asked = replace(self, only={**self.only, name: value}, by=by, after=None)
        if self.site is None or asked.days > MOST_SITE_DAYS:
            return None
        return asked.address()

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    def easier(self) -> tuple[tuple[str, str], ...]:
        """Name questions near to this one that a page can answer, with their addresses."""
        first = month_of(self.first)
        last = end_of_month(self.last)
        plain = replace(self, first=first, last=last, only={}, after=None)
        if plain.site is None and plain.by in OF_A_SITE:
            plain = replace(plain, by=By.SITE)
        found = [(f"Whole months, all together: {first} to {last}", plain.address())]
        if self.site is not None and self.days > MOST_SITE_DAYS:
            begin = self.last - timedelta(days=364)
            found.append(
                (f"The last year of it: {begin} to {self.last}", self.address(first=begin))
            )
        return tuple(found)


def usual_periods(today: date) -> tuple[Period, ...]:
    """Give the periods that a lead asks for most; the first is the one shown unasked."""
    this_month = month_of(today)
    end = end_of_month(today)
    year_ago = month_of(this_month.replace(day=1) - timedelta(days=330))
    before = this_month - timedelta(days=1)
    return (
        Period("Last twelve months", year_ago, end),
        Period("This month", this_month, end),
        Period("Last month", month_of(before), before),
        Period("This year", date(today.year, 1, 1), date(today.year, 12, 31)),
        Period("Last thirty days", today - timedelta(days=29), today),
    )
