"""What every page has at hand: the parts of the console, put together once in ``app``."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from jinja2 import Environment

from schemas.group import Group
from services.console.changes import Changes
from services.console.door import Door
from services.console.notes.pictures import Pictures
from services.console.oidc import Provider
from services.console.operations.board import Operations
from services.console.sessions import Sessions
from services.console.site_rules import SiteRules
from services.console.static_files import StaticFiles
from services.runtime.audit_writer import AuditWriter
from services.runtime.passwords import WINDOW_S, WRONG_PER_WINDOW, Passwords
from services.runtime.rate_limit import RateLimit
from services.runtime.settings import ConsoleSettings
from services.runtime.store import Store


@dataclass(frozen=True, slots=True)
class NavEntry:
    """A page in the list of pages. ``path`` is a route's, and may hold ``{site}`` only."""

    path: str
    words: str
    explained: str


@dataclass(slots=True)
class Console:
    """The parts. ``rules``: by site. ``nav``: what pages put into the list of pages, in order."""

    settings: ConsoleSettings
    group: Group
    store: Store
    sessions: Sessions
    changes: Changes
    door: Door
    provider: Provider | None
    audit: AuditWriter
    templates: Environment
    static: StaticFiles
    rules: Mapping[str, SiteRules]
    pictures: Pictures
    operations: Operations
    nav: tuple[NavEntry, ...] = ()
    passwords: Passwords = field(default_factory=Passwords)
    tries_of_person: RateLimit = field(
        default_factory=lambda: RateLimit(WRONG_PER_WINDOW, WINDOW_S)
    )
    tries_from_address: RateLimit = field(default_factory=lambda: RateLimit(30, WINDOW_S))
    taps: RateLimit = field(init=False)

    def __post_init__(self) -> None:
        self.taps = RateLimit(self.settings.taps_per_minute, 60.0)
