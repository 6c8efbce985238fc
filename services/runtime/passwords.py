"""Passwords: hashed by Argon2id, and compared a few at once, since each comparison is slow.

Parameters are argon2-cffi's defaults, the second recommended set of RFC 9106 section 4
(64 MiB, 3 passes, 4 lanes).
"""

import unicodedata
from threading import BoundedSemaphore
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError

from schemas.errors import InvalidInput

SHORTEST: Final = 15
"""Characters, where a password is the only factor (NIST SP 800-63B-4 section 3.1.1.2, quoted in
issue 3242 of OWASP ASVS, where it was read)."""

LONGEST: Final = 256
"""Characters; bounds the work of a comparison. 256 is invented; NIST asks that at least 64 be
allowed (its draft of revision 4, read where it is quoted)."""

WRONG_PER_WINDOW: Final = 5
WINDOW_S: Final = 60.0
"""Tries for one person within a window; both numbers are invented."""


class Passwords:
    """Compares passwords with their hashes; ``at_once`` bounds memory (64 MiB each) and cores."""

    def __init__(self, at_once: int = 2) -> None:
        self._hasher = PasswordHasher()
        self._turns = BoundedSemaphore(at_once)
        # Compared with where there is no hash, so that time does not tell who has an account.
        self._nobody = self._hasher.hash("nobody's password")

    def matches(self, stored: str | None, password: str) -> bool:
        """Tell whether this is the password; as slow where there is none."""
        if len(password) > LONGEST:
            return False
        with self._turns:
            try:
                self._hasher.verify(stored or self._nobody, _normal(password))
            except (VerifyMismatchError, VerificationError, InvalidHashError):
                return False
        return stored is not None


def hash_password(password: str) -> str:
    """Hash a password for ``group.yaml``. Raises InvalidInput for one too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        length = f"{len(password)} characters"
        raise InvalidInput("password", length, f"{SHORTEST} to {LONGEST} characters")
    return PasswordHasher().hash(_normal(password))


def _normal(password: str) -> str:
    """One form for what keyboards write in several (asked for in NIST's section; from memory)."""
    return unicodedata.normalize("NFKC", password)
