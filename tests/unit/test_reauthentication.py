"""What is shown for a signature, and what of it is believed."""

import hashlib

import pytest

from schemas.group import Device, DeviceKind, Person, Role
from services.intake.permissions import NotPermitted
from services.intake.reauthentication import (
    SIGNED_KINDS,
    Shown,
    check_signature,
    count_signatures,
    secret_of,
)

TOKEN, SECRET = "invented-token-vet", "invented-signing-secret"


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _vet(signing: str | None = None) -> Person:
    return Person(
        name="vet-1",
        title="Invented Vet",
        roles=(Role.VET,),
        token_sha256=_hash(TOKEN),
        signing_sha256=_hash(signing) if signing else None,
    )


def test_signatures_and_addenda_want_proof_and_other_facts_none() -> None:
    assert frozenset({"note_signed", "note_addended"}) == SIGNED_KINDS
    check_signature(_vet(), "note_amended", {}, Shown(None, 0))


@pytest.mark.parametrize(("signing", "secret"), [(None, TOKEN), (SECRET, SECRET)])
def test_the_token_is_shown_again_or_the_signing_secret_where_there_is_one(
    signing: str | None, secret: str
) -> None:
    check_signature(_vet(signing), "note_signed", {}, Shown(secret, 1))


@pytest.mark.parametrize(
    ("signing", "secret"), [(None, None), (None, SECRET), (SECRET, TOKEN), (SECRET, "")]
)
def test_anything_else_is_refused(signing: str | None, secret: str | None) -> None:
    with pytest.raises(NotPermitted) as refusal:
        check_signature(_vet(signing), "note_signed", {}, Shown(secret, 1))

    assert refusal.value.field == "Signing-Authorization"
    assert (secret or "?") not in str(refusal.value)


def test_a_device_and_a_person_without_any_secret_prove_nothing() -> None:
    bare = Person(name="vet-1", title="Invented Vet", roles=(Role.VET,))
    device = Device(name="tablet-1", kind=DeviceKind.TABLET, token_sha256=_hash(TOKEN))

    for holder in (bare, device):
        with pytest.raises(NotPermitted):
            check_signature(holder, "note_signed", {}, Shown(TOKEN, 1))


@pytest.mark.parametrize(
    ("header", "secret"),
    [
        (None, None),
        ("", None),
        ("Bearer ", None),
        ("Basic abc", None),
        ("Bearer abc", "abc"),
        ("bearer  abc ", "abc"),
    ],
)
def test_the_header_is_read_like_that_of_a_token(header: str | None, secret: str | None) -> None:
    assert secret_of(header) == secret


def test_signatures_of_a_body_are_counted_whatever_else_is_in_it() -> None:
    assert count_signatures([{"kind": "note_signed"}, {"kind": ["x"]}, 7, {}, None]) == 1


def test_what_was_shown_is_not_in_its_repr() -> None:
    assert SECRET not in repr(Shown(SECRET, 1))
