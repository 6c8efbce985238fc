"""The lists of the notes desk on both databases: what stands in each, before and after a note."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from schemas.conclusions import NoteState
from schemas.facts import NoteAmended, PostingOutcome
from services.console.notes import lists
from services.console.notes.lists import Shown
from services.console.notes.revisions import revision_that_said, revisions_of
from services.console.notes.sent_store import Sent, keep_sent, sent_by, sent_of
from services.console.store import REVISIONS_KEPT
from services.console.upkeep import REVISIONS_KEPT_FOR, Upkeep
from services.console.views_notes import NoteLine
from services.runtime.store import Store
from tests.assessed import START, STUDY, image
from tests.console_told import answered, hear, note, study, told

UIDS = [f"2.25.{number}" for number in range(6)]


@pytest.fixture
def aged(store: Store) -> Store:
    """Six notes, each younger than the one before; the third was signed by a trainee."""
    for number, uid in enumerate(UIDS):
        shown = (image(1, after_s=60.0 * number),)
        one = study(1, uid, closed=True).model_copy(update={"images": shown, "exposures": ()})
        signed = number == 2
        hear(store, [told(one), told(note(1, uid, needs_cosign=signed))])
    return store


def shown(store: Store, which: Shown) -> list[str]:
    with store.read() as connection:
        rows: tuple[NoteLine, ...] = lists.listed(connection, "north", which).rows
    return [one.study_instance_uid for one in rows]


def walk(store: Store, which: Shown, start: str, *, forward: bool) -> list[str]:
    """Go from note to note until the list ends."""
    walked: list[str] = []
    here = start
    with store.read() as connection:
        while True:
            since = START + timedelta(minutes=UIDS.index(here))
            there = lists.beside(connection, "north", which, here, since, forward=forward)
            if there is None:
                return walked
            walked.append(there)
            here = there


def test_a_list_is_walked_in_its_order_in_both_directions(aged: Store) -> None:
    assert shown(aged, Shown.WAITING) == UIDS
    assert walk(aged, Shown.WAITING, UIDS[0], forward=True) == UIDS[1:]
    assert walk(aged, Shown.WAITING, UIDS[-1], forward=False) == UIDS[-2::-1]
    assert shown(aged, Shown.ALL) == UIDS[::-1]
    assert walk(aged, Shown.ALL, UIDS[-1], forward=True) == UIDS[-2::-1]
    assert shown(aged, Shown.COSIGNATURE) == [UIDS[2]]
    assert walk(aged, Shown.SIGNATURE, UIDS[1], forward=True) == UIDS[3:]


def test_a_note_that_is_signed_leaves_the_list_and_keeps_its_place(aged: Store) -> None:
    signed = note(2, UIDS[3], state=NoteState.SIGNED, signer="vet-1", signed_at=START)
    hear(aged, [told(signed)])

    assert UIDS[3] not in shown(aged, Shown.WAITING)
    assert walk(aged, Shown.WAITING, UIDS[3], forward=True) == UIDS[4:]


def test_the_next_to_sign_passes_over_what_is_on_its_way_and_ends_at_the_oldest_left(
    aged: Store,
) -> None:
    def following(number: int, *passed_over: str, alone: bool = True) -> str | None:
        kinds = {"signature", "cosignature"} if alone else {"signature"}
        since = START + timedelta(minutes=number)
        with aged.read() as connection:
            return lists.next_to_sign(connection, "north", UIDS[number], since, kinds, passed_over)

    assert following(1) == UIDS[2]
    assert following(1, alone=False) == UIDS[3]
    assert following(1, UIDS[2], UIDS[3]) == UIDS[4]
    assert following(5) == UIDS[0]
    assert following(5, *UIDS[:5]) is None


def test_a_refused_note_is_in_its_list_also_once_it_is_signed(aged: Store) -> None:
    signed = note(2, UIDS[3], state=NoteState.SIGNED, signer="vet-1", signed_at=START)
    hear(aged, [told(signed)])
    refused = answered(f"note:{UIDS[3]}:2", PostingOutcome.REJECTED, 5, UIDS[3])
    hear(aged, [refused])

    assert shown(aged, Shown.REFUSED) == [UIDS[3]]
    with aged.read() as connection:
        counts = lists.counts(connection, "north")
    assert counts == {
        Shown.WAITING: 5,
        Shown.SIGNATURE: 4,
        Shown.COSIGNATURE: 1,
        Shown.ADDENDUM: 0,
        Shown.REFUSED: 1,
    }


def test_the_newest_revisions_are_kept_whatever_order_they_come_in(store: Store) -> None:
    last = REVISIONS_KEPT + 5
    hear(store, [told(note(number)) for number in range(last, 0, -1)])
    hear(store, [told(note(2))])

    with store.read() as connection:
        kept = revisions_of(connection, "north", STUDY)
        said = revision_that_said(connection, "north", STUDY, f"{last:064d}")
        gone = revision_that_said(connection, "north", STUDY, f"{1:064d}")
    assert [one.revision for one in kept] == list(range(last, last - REVISIONS_KEPT, -1))
    assert said is not None
    assert said.sections[0].text == f"{last} of 4"
    assert gone is None


def test_revisions_and_what_was_sent_are_forgotten_in_time(store: Store) -> None:
    # given
    hear(store, [told(note(1))])
    now = datetime.now(UTC)
    fact = NoteAmended(study_instance_uid=STUDY, section="interpretation", text="Invented.")
    with store.begin() as connection:
        for number, at in enumerate((now, now - timedelta(days=3))):
            sent = Sent("north", f"amended:{number}", STUDY, "north/vet-1", at, 1, fact)
            keep_sent(connection, sent)
            keep_sent(connection, sent)

    # when
    Upkeep(store).forget(now)
    Upkeep(store).forget(START + REVISIONS_KEPT_FOR + timedelta(days=1))

    # then
    with store.read() as connection:
        (own,) = sent_by(connection, "north", "north/vet-1", now - timedelta(hours=1))
        assert sent_of(connection, "north", STUDY) == [own]
        assert own.fact == fact
        assert revisions_of(connection, "north", STUDY) == []
