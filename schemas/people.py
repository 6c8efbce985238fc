"""The staff of a site: their roles, and the hashes of what they show."""

import hashlib
import hmac
from enum import StrEnum
from typing import Any, ClassVar

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


class Person(Contract):
    """A member of staff, by a short name that logs and facts may carry.

    ``signing_sha256`` is the hash of a second secret that is shown at each signature and nowhere
    else. Without one the token itself is shown again. Both are long random texts, no passwords.
    """

    name: Name
    title: Text
    roles: tuple[Role, ...]
    token_sha256: Sha256 | None = None
    signing_sha256: Sha256 | None = None

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
