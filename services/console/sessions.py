"""Sessions, kept in the store: begun at a sign-in, ended by hand, by idleness or by age."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Row, delete, insert, or_, select, update

from schemas.group import Group
from services.console.accounts import Account, find_account
from services.console.session_store import SESSION
from services.runtime.rate_limit import RateLimit
from services.runtime.settings import ConsoleSettings
from services.runtime.store import Store

_TAP_COUNTS_AFTER = timedelta(seconds=5)
"""Taps nearer to each other than this are one, to spare the store a write for each."""

_LOOK_GOES_ON_S = 900.0
"""How long a page that is kept open is one look at what it shows, in the audit; invented."""


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who is signed in on this browser, and until when if nobody taps. ``token`` is never told."""

    token: str
    account: Account
    csrf: str
    shared: bool
    tapped_at: datetime
    ends_at: datetime

    def __repr__(self) -> str:
        return f"SignedIn({self.account.key})"


class Sessions:
    """Begins, finds and ends sessions. Safe to use from many threads and processes."""

    def __init__(self, store: Store, group: Group, settings: ConsoleSettings) -> None:
        self._store = store
        self._group = group
        self._idle = {
            False: timedelta(seconds=settings.idle_s),
            True: timedelta(seconds=settings.shared_idle_s),
        }
        self._longest = timedelta(seconds=settings.longest_s)
        self._looks = RateLimit(1, _LOOK_GOES_ON_S)

    def begin(self, account: Account, *, shared: bool) -> str:
        """Begin a session and give its token, new at each sign-in."""
        token, now = secrets.token_urlsafe(32), datetime.now(UTC)
        row = {
            "token_sha256": _hash(token),
            "site": account.site.name,
            "person": account.person.name,
            "csrf": secrets.token_urlsafe(32),
            "shared": shared,
            "began_at": now,
            "tapped_at": now,
        }
        with self._store.begin() as connection:
            connection.execute(insert(SESSION), row)
        return token

    def find(self, token: str) -> SignedIn | None:
        """Find a session that has not ended. Whoever has left ``group.yaml`` has none."""
        with self._store.read() as connection:
            query = select(SESSION).where(SESSION.c.token_sha256 == _hash(token))
            row = connection.execute(query).one_or_none()
        account = None if row is None else find_account(self._group, row.site, row.person)
        if row is None or account is None:
            return None
        ends_at = self._ends_at(row)
        if ends_at <= datetime.now(UTC):
            return None
        return SignedIn(token, account, row.csrf, row.shared, row.tapped_at, ends_at)

    def tapped(self, signed_in: SignedIn) -> None:
        """Begin its time of idleness anew."""
        now = datetime.now(UTC)
        if now - signed_in.tapped_at < _TAP_COUNTS_AFTER:
            return
        with self._store.begin() as connection:
            connection.execute(
                update(SESSION)
                .where(SESSION.c.token_sha256 == _hash(signed_in.token))
                .values(tapped_at=now)
            )

    def end(self, token: str) -> None:
        """End a session. Safe to repeat."""
        with self._store.begin() as connection:
            connection.execute(delete(SESSION).where(SESSION.c.token_sha256 == _hash(token)))

    def looks_anew(self, signed_in: SignedIn, path: str) -> bool:
        """Tell whether this session has not looked here for a while; a look goes on till then."""
        return self._looks.take(f"{_hash(signed_in.token)} {path}") == 0.0

    def end_all(self, account: Account) -> None:
        """End every session of a person. Safe to repeat."""
        own = SESSION.c.site == account.site.name, SESSION.c.person == account.person.name
        with self._store.begin() as connection:
            connection.execute(delete(SESSION).where(*own))

    def forget_ended(self) -> None:
        """Remove what has ended."""
        now = datetime.now(UTC)
        with self._store.begin() as connection:
            connection.execute(
                delete(SESSION).where(
                    or_(
                        SESSION.c.began_at <= now - self._longest,
                        SESSION.c.tapped_at <= now - max(self._idle.values()),
                    )
                )
            )

    def _ends_at(self, row: Row[Any]) -> datetime:
        ends_at: datetime = min(
            row.tapped_at + self._idle[row.shared], row.began_at + self._longest
        )
        return ends_at


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
