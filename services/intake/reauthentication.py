"""Whoever signs proves anew who they are: a secret is shown with each signature, and one at a time.

A bearer token may lie in a page that somebody left open. What a signature wants beside it comes in
a header of its own, so that it is in no body, and with that in no triage entry and no log. As
``Bearer`` it is a long random text; as ``Basic`` (RFC 7617; from memory) what a person typed at a
console.
"""

import base64
import binascii
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from schemas.envelope import Message, Payload
from schemas.facts import FACTS
from schemas.group import Person
from services.intake.permissions import Holder, NotPermitted

HEADER: Final = "Signing-Authorization"

SIGNED_KINDS: Final = frozenset(
    fact.KIND for fact in FACTS if "reauthenticated_at" in fact.SET_BY_INTAKE
)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a request showed for the signatures in it. ``secret`` is never told, logged or kept."""

    secret: str | None
    signatures: int
    typed: bool = False

    def __repr__(self) -> str:
        return f"Shown(signatures={self.signatures})"


NOTHING_SHOWN: Final = Shown(None, 0)


Prove = Callable[[Person, str, Shown], bool]
"""Tells whether a person of a site has shown what is theirs."""


def by_secret(person: Person, _site: str, shown: Shown) -> bool:
    """Compare a long random text."""
    return shown.secret is not None and not shown.typed and person.proves(shown.secret)


def secret_of(header: str | None) -> str | None:
    """Read the secret of a ``Signing-Authorization: Bearer <secret>``."""
    scheme, _, secret = (header or "").partition(" ")
    return secret.strip() or None if scheme.lower() == "bearer" else None


def typed_of(header: str | None) -> str | None:
    """Read what was typed: the password of a ``Signing-Authorization: Basic <base64>``.

    The name in it is not looked at: who signs is whom the token, or its console, names.
    """
    scheme, _, told = (header or "").partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        text = base64.b64decode(told.strip(), validate=True).decode()
    except (binascii.Error, UnicodeDecodeError):
        return None
    return text.partition(":")[2] or None


def shown_in(header: str | None, signatures: int = 0) -> Shown:
    """Read what a request showed."""
    typed = typed_of(header)
    if typed is not None:
        return Shown(typed, signatures, typed=True)
    return Shown(secret_of(header), signatures)


def count_signatures(offers: list[Any]) -> int:
    """Count the offers of a body that are signatures."""
    return sum(_kind(offer) in SIGNED_KINDS for offer in offers)


def _kind(offer: Any) -> str | None:
    kind = offer.get("kind") if isinstance(offer, dict) else None
    return kind if isinstance(kind, str) else None


def check_signature(
    holder: Holder,
    kind: str,
    payload: dict[str, Any],
    shown: Shown,
    site: str = "",
    prove: Prove = by_secret,
) -> None:
    """Check that a signature's sender proves anew who they are.

    Raises NotPermitted, which is audited and kept nowhere else: a replay would make it a fact.
    """
    if kind not in SIGNED_KINDS:
        return
    if "reauthenticated_at" in payload:
        raise NotPermitted(
            "payload.reauthenticated_at", payload["reauthenticated_at"], "nothing: intake sets it"
        )
    if shown.signatures != 1:
        raise NotPermitted("message", f"{shown.signatures} signatures", "one signature in a body")
    if not isinstance(holder, Person) or not prove(holder, site, shown):
        what = "none" if shown.secret is None else "another"
        secret = "password or signing secret" if shown.typed else "bearer secret"
        raise NotPermitted(
            HEADER, what, f"a {secret} of {holder.name}'s own, shown with each signature"
        )


def sealed(message: Message[Payload]) -> Message[Payload]:
    """Write into a signature when its sender proved who they are: now, by intake's clock."""
    if message.kind not in SIGNED_KINDS:
        return message
    at = {"reauthenticated_at": message.received_at}
    return replace(message, payload=message.payload.model_copy(update=at))
