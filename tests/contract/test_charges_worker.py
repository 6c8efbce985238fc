"""The charges worker on a real store: messages in, the ledger and the newest charges out."""

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from itertools import permutations
from typing import Any

import pytest

from schemas.conclusions import ChargesAssessed, ImageUse, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import ChargesReleased, PostingAnswered, PostingOutcome
from schemas.tariffs import TariffBook, load_tariffs
from services.charges import store as charges_store
from services.charges.ledger import balance, standing
from services.charges.worker import ChargesHandler, tariff_code
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP, START, STUDY, assessed, image, message
from tests.handled import handle, sent

HANDLER = ChargesHandler(GROUP, load_tariffs())


def _handle(store: Store, messages: Sequence[Message[Payload]]) -> None:
    handle(store, HANDLER, "charges", messages)


def _sent(store: Store) -> list[ChargesAssessed]:
    payloads = [one.payload for one in sent(store)]
    assert all(isinstance(payload, ChargesAssessed) for payload in payloads)
    return [payload for payload in payloads if isinstance(payload, ChargesAssessed)]


def _kept(store: Store) -> ChargesAssessed:
    with store.read() as connection:
        snapshot = charges_store.read_study(connection, "north", STUDY).snapshot
        entries = charges_store.read_ledger(connection, "north", STUDY)
    assert snapshot is not None
    assert snapshot.ledger == entries
    return snapshot


def _released() -> Message[Payload]:
    return message(ChargesReleased(study_instance_uid=STUDY), person="tech-1")


def test_charges_are_told_at_once_and_due_only_when_the_study_is_closed(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)]))])
    _handle(store, [message(assessed(2, [image(1)], closed=True))])

    open_study, closed_study = _sent(store)

    assert (open_study.due, open_study.ledger, open_study.total) == (False, (), Decimal("39.20"))
    assert closed_study.due
    assert [entry.posting_key for entry in closed_study.ledger] == [
        f"charge:{STUDY}:1",
        f"charge:{STUDY}:2",
    ]
    assert [open_study.revision, closed_study.revision] == [1, 2]
    assert _kept(store) == closed_study


def test_a_release_makes_the_ledger_due_before_the_study_is_closed(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)]))])
    _handle(store, [_released()])

    assert [one.due for one in _sent(store)] == [False, True]


def test_a_release_that_comes_before_its_study_is_not_lost(store: Store) -> None:
    _handle(store, [_released()])
    assert _sent(store) == []

    _handle(store, [message(assessed(1, [image(1)]))])

    (sent,) = _sent(store)
    assert sent.due
    assert balance(sent.ledger) == sent.total


def test_a_later_change_is_credited_and_the_earlier_entries_stay(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1), image(2)], closed=True))])
    before = _kept(store).ledger

    _handle(store, [message(assessed(2, [image(1), image(2, ImageUse.REJECTED)], closed=True))])

    after = _kept(store)
    assert after.ledger[: len(before)] == before
    assert balance(after.ledger) == after.total == Decimal("39.20")


def test_a_study_that_is_opened_again_keeps_its_ledger_in_step(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])

    _handle(store, [message(assessed(2, [image(1), image(2)], closed=False))])

    after = _kept(store)
    assert after.due
    assert balance(after.ledger) == after.total == Decimal("53.70")


def test_an_older_or_repeated_assessment_changes_nothing_and_sends_nothing(store: Store) -> None:
    newest = assessed(3, [image(1)], closed=True)
    _handle(store, [message(newest)])
    before = _kept(store)

    _handle(store, [message(newest)])
    _handle(store, [message(assessed(2, [image(1), image(2)], closed=True))])

    assert _kept(store) == before
    assert len(_sent(store)) == 1


def test_a_newer_assessment_that_costs_the_same_sends_nothing(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])
    _handle(store, [message(assessed(2, [image(1)], closed=True, indication="Told later"))])

    assert len(_sent(store)) == 1


def test_charges_already_posted_stay_under_their_tariff(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])
    site = GROUP.sites[0].model_copy(update={"tariff": "dearer-2027"})
    tariffs = load_tariffs()
    invented = tariffs.on("invented-2026", date(2026, 3, 2))
    dearer = invented.model_copy(update={"code": "dearer-2027", "currency": "CHF"})
    handler = ChargesHandler(
        GROUP.model_copy(update={"sites": (site,)}),
        TariffBook(tariffs.versions | {"dearer-2027": (dearer,)}),
    )

    with store.begin() as connection:
        handler(Work(connection, store), [message(assessed(2, [image(1), image(2)], closed=True))])

    assert _kept(store).tariff == "invented-2026"
    assert balance(_kept(store).ledger) == Decimal("53.70")


def test_what_follows_carries_the_chain_of_its_cause(store: Store) -> None:
    cause = message(assessed(1, [image(1)]))
    _handle(store, [cause])

    (told,) = sent(store)
    assert (told.causation_id, told.correlation_id) == (cause.id, cause.correlation_id)
    assert (told.source.name, told.site) == ("charges", "north")


def test_permuted_and_doubled_messages_end_in_the_same_charges(store: Store) -> None:
    def _told(study: str) -> list[Message[Payload]]:
        steps: list[StudyAssessed] = [
            assessed(1, [image(1), image(2)]),
            assessed(2, [image(1), image(2), image(3)], closed=True),
            assessed(3, [image(1), image(2, ImageUse.REJECTED), image(3)], closed=True),
        ]
        told = [message(step.model_copy(update={"study_instance_uid": study})) for step in steps]
        return [*told, message(ChargesReleased(study_instance_uid=study), person="tech-1")]

    ends = set()
    for number, order in enumerate(permutations(range(4))):
        study = f"2.25.5{number}"
        told = _told(study)
        for index in order:
            _handle(store, [told[index], told[index]])
        with store.read() as connection:
            state = charges_store.read_study(connection, "north", study)
            entries = charges_store.read_ledger(connection, "north", study)
        assert state.snapshot is not None
        assert state.snapshot.ledger == entries
        assert balance(entries) == state.snapshot.total
        # The way there differs, for what was posted cannot be unposted; what stands does not.
        ends.add(
            (
                state.snapshot.lines,
                state.snapshot.not_charged,
                state.snapshot.total,
                state.snapshot.due,
                tuple(sorted((one.code, one.images, one.amount) for one in standing(entries))),
            )
        )

    assert len(ends) == 1


def test_a_batch_of_many_studies_is_told_apart(store: Store) -> None:
    others = [
        assessed(1, [image(1)]).model_copy(update={"study_instance_uid": f"2.25.6{number}"})
        for number in range(3)
    ]

    _handle(store, [message(one) for one in others])

    assert [one.study_instance_uid for one in _sent(store)] == ["2.25.60", "2.25.61", "2.25.62"]


def test_a_site_whose_tariff_is_not_there_is_named() -> None:
    with pytest.raises(InvalidInput, match=r"sites\.north\.tariff"):
        tariff_code(GROUP, "north", TariffBook({}))


def _answered(number: int, outcome: PostingOutcome, minute: int, **told: Any) -> Message[Payload]:
    key = f"charge:{STUDY}:{number}"
    fact = PostingAnswered(posting_key=key, study_instance_uid=STUDY, outcome=outcome, **told)
    return message(fact, at=START + timedelta(minutes=minute))


def test_what_the_record_rejects_is_a_task_in_its_words_until_it_is_taken(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])

    _handle(store, [_answered(1, PostingOutcome.REJECTED, 1, words="Account closed (invented)")])
    (task,) = _kept(store).tasks
    _handle(store, [_answered(1, PostingOutcome.ACCEPTED, 2)])

    assert (task.posting_key, task.words) == (f"charge:{STUDY}:1", "Account closed (invented)")
    assert _kept(store).tasks == ()
    assert [len(one.tasks) for one in _sent(store)] == [0, 1, 0]


def test_an_answer_that_is_older_than_what_is_known_tells_nothing(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])

    _handle(store, [_answered(1, PostingOutcome.ACCEPTED, 2)])
    _handle(store, [_answered(1, PostingOutcome.REJECTED, 1, words="No")])

    assert _kept(store).tasks == ()
    assert len(_sent(store)) == 1, "that all is well is no news"


def test_what_went_into_a_later_period_says_under_which_day_it_stands(store: Store) -> None:
    _handle(store, [message(assessed(1, [image(1)], closed=True))])
    later = date(2026, 4, 1)

    _handle(store, [_answered(1, PostingOutcome.ACCEPTED, 1, posting_day=later)])

    (moved,) = _kept(store).moved
    assert (moved.service_day, moved.posting_day) == (date(2026, 3, 2), later)


def test_an_answer_before_its_study_and_one_about_a_note_do_no_harm(store: Store) -> None:
    note = PostingAnswered(
        posting_key=f"note:{STUDY}:1",
        study_instance_uid=STUDY,
        outcome=PostingOutcome.REJECTED,
        words="No",
    )
    _handle(store, [_answered(1, PostingOutcome.REJECTED, 1, words="No"), message(note)])
    _handle(store, [message(assessed(1, [image(1)], closed=True))])

    assert [task.posting_key for task in _kept(store).tasks] == [f"charge:{STUDY}:1"]


def test_a_study_is_priced_by_the_version_of_its_day(store: Store) -> None:
    invented = load_tariffs().on("invented-2026", date(2026, 3, 2))
    versions = (
        invented.model_copy(update={"valid_to": date(2026, 2, 28)}),
        invented.model_copy(update={"valid_from": date(2026, 3, 1), "title": "Second"}),
    )
    handler = ChargesHandler(GROUP, TariffBook({"invented-2026": versions}))

    with store.begin() as connection:
        handler(Work(connection, store), [message(assessed(1, [image(1)], closed=True))])

    assert _kept(store).tariff_valid_from == date(2026, 3, 1)


def test_priced_studies_are_found_by_their_day(store: Store) -> None:
    days = [date(2026, 3, 2), date(2026, 3, 31), date(2026, 4, 1)]
    _handle(
        store,
        [
            message(
                assessed(1, [image(1)], day=day).model_copy(
                    update={"study_instance_uid": f"2.25.7{place}"}
                )
            )
            for place, day in enumerate(days)
        ],
    )

    with store.read() as connection:
        found = list(charges_store.priced_studies(connection, days[0], days[1]))

    assert [(site, study.day) for site, study, _ in found] == [
        ("north", days[0]),
        ("north", days[1]),
    ]
    assert all(charged.total == Decimal("39.20") for _, _, charged in found)
