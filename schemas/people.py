"""The staff of a site: their roles, and the hashes of what they show."""

import hashlib
import hmac
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from schemas.base import Contract, Name, Text
from schemas.facts.desk import Sha256


class Role(StrEnum):
    """``TRAINEE``: a vet in training, whose signature wants a vet's after it."""

    VET = "vet"
    TRAINEE = "trainee"
    TECHNICIAN = "technician"
    BILLING = "billing"
    ADMIN = "admin"
    LEAD = "lead"


PasswordHash = Annotated[
    str,
    Field(
        max_length=400,
        pattern=r"^\$argon2id\$v=19\$m=\d{4,7},t=\d{1,2},p=\d{1,2}\$[A-Za-z0-9+/]{16,}\$[A-Za-z0-9+/]{32,}$",
    ),
]
"""An Argon2id hash (RFC 9106) in its usual text form; ``gomphosis hash-password`` makes one."""

Reach = Literal["site", "group"]


class Person(Contract):
    """A member of staff, by a short name that logs and facts may carry.

    ``signing_sha256`` is the hash of a second secret that is shown at each signature and nowhere
    else. Without one the token itself is shown again. Both are long random texts, no passwords.
    ``password_argon2`` is what the console asks for, and what proves a signature there where no
    signing secret stands. ``oidc_subject`` is who an identity provider says this is, instead of
    or beside a password. ``reach``: whose pages and desks are theirs, their own site's or those
    of every site; the name is then one in the whole group.
    """

    name: Name
    title: Text
    roles: tuple[Role, ...]
    token_sha256: Sha256 | None = None
    signing_sha256: Sha256 | None = None
    password_argon2: PasswordHash | None = None
    oidc_subject: Annotated[str, Field(min_length=1, max_length=255)] | None = None
    reach: Reach = "site"

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"name": "vet-1", "title": "Invented Vet", "roles": ["vet"]},
    )

    @property
    def needs_cosign(self) -> bool:
        """Tell whether a vet must sign after this person."""
        return Role.TRAINEE in self.roles

    @property
    def signs_alone(self) -> bool:
        """Tell whether this person's signature makes a note final."""
        return Role.VET in self.roles and not self.needs_cosign

    def proves(self, secret: str) -> bool:
        """Tell whether this is what the person shows to sign."""
        digest = hashlib.sha256(secret.encode()).hexdigest()
        expected = self.signing_sha256 or self.token_sha256
        return expected is not None and hmac.compare_digest(expected, digest)
