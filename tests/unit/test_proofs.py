"""What is typed at a console to sign: the password or the signing secret, tried a few times."""

import base64
import hashlib

import pytest
from typer.testing import CliRunner

from schemas.errors import InvalidInput
from schemas.group import Person, Role
from services.intake.permissions import NotPermitted
from services.intake.proofs import Proofs
from services.intake.reauthentication import Shown, shown_in
from services.runtime.passwords import WRONG_PER_WINDOW, Passwords, hash_password
from services.runtime.rate_limit import RateLimit

PASSWORD = "an invented Pässword: with a colon"
SECRET = "invented-signing-secret"
HASH = hash_password(PASSWORD)


def _vet(*, password: bool = True, signing: bool = False) -> Person:
    return Person(
        name="vet-1",
        title="Invented Vet",
        roles=(Role.VET,),
        token_sha256=hashlib.sha256(b"invented-token").hexdigest(),
        signing_sha256=hashlib.sha256(SECRET.encode()).hexdigest() if signing else None,
        password_argon2=HASH if password else None,
    )


def _typed(text: str) -> Shown:
    told = base64.b64encode(f"vet-1:{text}".encode()).decode()
    return shown_in(f"Basic {told}", 1)


def test_a_password_proves_a_signature_and_a_signing_secret_outranks_it() -> None:
    proofs = Proofs()

    assert proofs.proves(_vet(), "north", _typed(PASSWORD))
    assert proofs.proves(_vet(signing=True), "north", _typed(SECRET))
    assert not proofs.proves(_vet(signing=True), "north", _typed(PASSWORD))
    assert not proofs.proves(_vet(), "north", _typed("invented-token"))
    assert not proofs.proves(_vet(password=False), "north", _typed(PASSWORD))


def test_a_bearer_secret_proves_as_before_and_a_password_is_none() -> None:
    assert Proofs().proves(_vet(), "north", Shown("invented-token", 1))
    assert not Proofs().proves(_vet(), "north", Shown(PASSWORD, 1))


def test_after_too_many_wrong_ones_the_right_one_waits_too_and_only_for_that_person() -> None:
    # given
    proofs = Proofs()
    for _ in range(WRONG_PER_WINDOW):
        assert not proofs.proves(_vet(), "north", _typed("wrong"))

    # then
    with pytest.raises(NotPermitted, match="too many were wrong"):
        proofs.proves(_vet(), "north", _typed(PASSWORD))
    assert proofs.proves(_vet(), "south", _typed(PASSWORD))


@pytest.mark.parametrize("header", ["Basic ???", "Basic", "Basic dmV0LTE=", "Basic dmV0LTE6", None])
def test_what_cannot_be_read_is_nothing_shown(header: str | None) -> None:
    assert shown_in(header, 1) == Shown(None, 1)


def test_nobody_matches_where_there_is_no_hash_or_a_broken_one() -> None:
    passwords = Passwords()

    assert passwords.matches(HASH, PASSWORD)
    assert passwords.matches(HASH, PASSWORD.replace("ä", "a\u0308")), "another keyboard's ä"
    assert not passwords.matches(None, "nobody's password")
    assert not passwords.matches("$argon2id$broken", PASSWORD)
    assert not passwords.matches(HASH, PASSWORD + "x" * 300)


@pytest.mark.parametrize("length", [0, 14, 257])
def test_a_password_too_short_or_too_long_is_not_hashed(length: int) -> None:
    with pytest.raises(InvalidInput, match="15 to 256"):
        hash_password("x" * length)


def test_hash_password_prints_a_hash_that_a_person_may_carry() -> None:
    import typer

    from services.runtime.cli.passwords import hash_a_password

    app = typer.Typer()
    app.command()(hash_a_password)
    told = CliRunner().invoke(app, ["--stdin"], input=f"{PASSWORD}\n")

    assert told.exit_code == 0
    person = Person(
        name="vet-1",
        title="Invented Vet",
        roles=(Role.VET,),
        password_argon2=told.stdout.strip(),
    )
    assert Passwords().matches(person.password_argon2, PASSWORD)


def test_a_rate_limit_lets_so_many_through_and_tells_how_long_to_wait() -> None:
    # given
    now = [0.0]
    limit = RateLimit(2, 10.0, lambda: now[0], most_keys=2)

    # when, then
    assert [limit.take("a"), limit.take("a")] == [0.0, 0.0]
    now[0] = 4.0
    assert limit.take("a") == 6.0
    assert limit.take("b") == 0.0
    now[0] = 10.0
    assert limit.take("a") == 0.0
    limit.forget("a")
    assert [limit.take("a"), limit.take("a")] == [0.0, 0.0]


def test_a_rate_limit_keeps_a_bounded_number_of_keys() -> None:
    limit = RateLimit(1, 10.0, lambda: 0.0, most_keys=2)

    for key in ("a", "b", "c"):
        assert limit.take(key) == 0.0

    assert limit.take("c") > 0.0
    assert limit.take("a") == 0.0, "the oldest was forgotten"
