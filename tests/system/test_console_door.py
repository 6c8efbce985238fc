"""What a person does at the console becomes one fact of theirs, by intake's real door."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr

from schemas.envelope import Payload
from schemas.facts import NoteAmended, NoteSigned, ViewExcused
from services.console.accounts import Account
from services.console.door import Door, Told
from services.console.troubles import Trouble
from services.runtime.settings import ConsoleSettings
from tests.console_support import PASSWORD, TOKEN, invented_group
from tests.intake_support import Intake, running_intake

TAP = "0123456789abcdef"
EXCUSED = ViewExcused.model_validate(ViewExcused.EXAMPLES[0])
AMENDED = NoteAmended.model_validate(NoteAmended.EXAMPLES[0])


@dataclass
class Desk:
    intake: Intake
    door: Door

    def account(self, name: str, site: str = "north") -> Account:
        found = self.intake.runtime.group.person(site, name)
        assert found is not None
        return Account(*found)

    def tell(
        self, name: str, fact: Payload, tap: str = TAP, typed: str | None = None, at: str = "north"
    ) -> Told:
        return self.door.tell(self.account(name), at, fact, tap, typed=typed)


def settings(intake: Intake, token: str = TOKEN) -> ConsoleSettings:
    url = intake.facts_url.removesuffix("/facts")
    return ConsoleSettings(intake_url=url, token=SecretStr(token), intake_timeout_s=60)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with running_intake(tmp_path, group=invented_group()) as intake:
        door = Door(intake.runtime.store, settings(intake))
        yield Desk(intake, door)
        door.close()


def test_a_tap_that_is_sent_twice_at_once_makes_one_fact_and_another_tap_another(
    desk: Desk,
) -> None:
    # when
    with ThreadPoolExecutor(4) as pool:
        told = list(pool.map(lambda _: desk.tell("vet-1", AMENDED), range(4)))

    # then
    (fact,) = desk.intake.facts()
    assert {one.natural_key for one in told} == {fact.natural_key}
    assert sorted(one.known for one in told) == [False, True, True, True]
    assert (fact.site, fact.source.kind, fact.source.name) == ("north", "person", "vet-1")

    desk.tell("vet-1", AMENDED, "fedcba9876543210")
    assert len(desk.intake.facts()) == 2


def test_a_form_that_comes_again_with_another_content_is_refused(desk: Desk) -> None:
    desk.tell("vet-1", AMENDED)

    with pytest.raises(Trouble) as trouble:
        desk.tell("vet-1", EXCUSED)

    assert trouble.value.status == 400
    assert len(desk.intake.facts()) == 1


def test_a_tap_that_waited_while_offline_keeps_its_own_moment_within_bounds(desk: Desk) -> None:
    # given
    now = datetime.now(UTC)
    tapped_at = now - timedelta(minutes=3)
    vet = desk.account("vet-1")

    # when
    desk.door.tell(vet, "north", AMENDED, TAP, tapped_at=tapped_at)
    desk.door.tell(vet, "north", AMENDED, "f" * 16, tapped_at=now + timedelta(hours=2))

    # then
    moments = sorted(fact.occurred_at for fact in desk.intake.facts())
    assert moments[0] == tapped_at
    assert now <= moments[1] <= datetime.now(UTC)


def test_a_password_signs_and_a_wrong_one_is_told_in_plain_words(desk: Desk) -> None:
    fact = NoteSigned.model_validate(NoteSigned.EXAMPLES[0] | {"signer": "vet-1"})

    with pytest.raises(Trouble) as trouble:
        desk.tell("vet-1", fact, typed="an invented wrong one")
    assert trouble.value.status == 403
    assert "not your password" in trouble.value.words.happened
    assert desk.intake.facts() == []

    desk.tell("vet-1", fact, typed=PASSWORD)
    assert [one.kind for one in desk.intake.facts()] == ["note_signed"]


def test_whoever_reaches_every_site_acts_at_another_and_nobody_else_does(desk: Desk) -> None:
    desk.tell("lead-all", EXCUSED, at="south")
    assert [(one.site, one.source.name) for one in desk.intake.facts()] == [("south", "lead-all")]

    with pytest.raises(Trouble) as trouble:
        desk.tell("vet-1", EXCUSED, at="south")
    assert trouble.value.status == 403


def test_what_intake_does_not_let_a_role_do_is_told_with_its_reason(desk: Desk) -> None:
    with pytest.raises(Trouble) as trouble:
        desk.tell("billing-1", EXCUSED)

    assert trouble.value.status == 403
    assert "kind" in trouble.value.words.happened
    assert desk.intake.facts() == []


@pytest.mark.parametrize(
    ("token", "said"), [("", "GOMPHOSIS_CONSOLE__TOKEN"), ("invented-wrong", "group.yaml")]
)
def test_without_its_token_the_console_says_what_to_set(desk: Desk, token: str, said: str) -> None:
    door = Door(desk.intake.runtime.store, settings(desk.intake, token))

    with pytest.raises(Trouble) as trouble:
        door.tell(desk.account("vet-1"), "north", EXCUSED, TAP)

    door.close()
    assert trouble.value.status == 503
    assert said in trouble.value.words.next


def test_an_intake_that_is_away_is_told_and_the_same_tap_is_kept_later(
    desk: Desk, free_port: int
) -> None:
    # given
    away = Door(
        desk.intake.runtime.store,
        ConsoleSettings(intake_url=f"http://127.0.0.1:{free_port}", token=SecretStr(TOKEN)),
    )
    with pytest.raises(Trouble) as trouble:
        away.tell(desk.account("vet-1"), "north", AMENDED, TAP)
    away.close()
    assert trouble.value.status == 503

    # when
    told = desk.tell("vet-1", AMENDED)

    # then
    assert not told.known
    assert len(desk.intake.facts()) == 1


@pytest.mark.parametrize("tap", ["", "short", "x" * 65, "a b c d e f g h", "<script>"])
def test_a_mark_that_is_none_of_ours_does_nothing(desk: Desk, tap: str) -> None:
    with pytest.raises(Trouble):
        desk.tell("vet-1", AMENDED, tap)

    assert desk.intake.facts() == []
