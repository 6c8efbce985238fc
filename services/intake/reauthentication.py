"""Whoever signs proves anew who they are: a secret is shown with each signature, and one at a time.

A bearer token may lie in a page that somebody left open. What a signature wants beside it comes in
a header of its own, so that it is in no body, and with that in no triage entry and no log.
"""

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

    def __repr__(self) -> str:
        return f"Shown(signatures={self.signatures})"


NOTHING_SHOWN: Final = Shown(None, 0)


def secret_of(header: str | None) -> str | None:
    """Read the secret of a ``Signing-Authorization: Bearer <secret>``."""
    scheme, _, secret = (header or "").partition(" ")
    return secret.strip() or None if scheme.lower() == "bearer" else None


def count_signatures(offers: list[Any]) -> int:
    """Count the offers of a body that are signatures."""
    return sum(_kind(offer) in SIGNED_KINDS for offer in offers)


def _kind(offer: Any) -> str | None:
    kind = offer.get("kind") if isinstance(offer, dict) else None
    return kind if isinstance(kind, str) else None


def check_signature(holder: Holder, kind: str, payload: dict[str, Any], shown: Shown) -> None:
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
    if not isinstance(holder, Person) or shown.secret is None or not holder.proves(shown.secret):
        what = "none" if shown.secret is None else "another"
        raise NotPermitted(
            HEADER, what, f"a bearer secret of {holder.name}'s own, shown with each signature"
        )


def sealed(message: Message[Payload]) -> Message[Payload]:
    """Write into a signature when its sender proved who they are: now, by intake's clock."""
    if message.kind not in SIGNED_KINDS:
        return message
    at = {"reauthenticated_at": message.received_at}
    return replace(message, payload=message.payload.model_copy(update=at))
