"""The proof of a signature that was typed at a console: a password, or the signing secret.

A comparison of passwords is slow on purpose: few run at once, and whoever is tried too often waits.
"""

from math import ceil
from typing import Final

from schemas.group import Person
from services.intake.permissions import NotPermitted
from services.intake.reauthentication import HEADER, Shown, by_secret
from services.runtime.passwords import WINDOW_S, WRONG_PER_WINDOW, Passwords
from services.runtime.rate_limit import RateLimit

_AT_ONCE: Final = 2


class Proofs:
    """Believes or does not believe what was shown. Safe to use from many threads."""

    def __init__(self) -> None:
        self._passwords = Passwords(_AT_ONCE)
        self._tries = RateLimit(WRONG_PER_WINDOW, WINDOW_S)

    def proves(self, person: Person, site: str, shown: Shown) -> bool:
        """Tell whether this is the person's own. Raises NotPermitted after too many wrong ones.

        Where a signing secret stands in ``group.yaml`` nothing else signs.
        """
        if not shown.typed or shown.secret is None:
            return by_secret(person, site, shown)
        key = f"{site}/{person.name}"
        wait_s = self._tries.take(key)
        if wait_s:
            expected = f"no further try for {ceil(wait_s)} s: too many were wrong"
            raise NotPermitted(HEADER, "another", expected)
        if person.signing_sha256 is not None:
            proven = person.proves(shown.secret)
        else:
            proven = self._passwords.matches(person.password_argon2, shown.secret)
        if proven:
            self._tries.forget(key)
        return proven
