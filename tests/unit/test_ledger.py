"""The ledger: reversal and repost, never an edit; the sum is always what the study costs."""

from datetime import UTC, date
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import EntryType, ImageUse, LedgerEntry, StudyAssessed, StudyState
from schemas.tariffs import load_tariffs
from services.charges.ledger import Account, balance, bring_up_to, standing
from services.charges.pricing import price
from tests.assessed import STUDY, assessed, image, patient

TARIFF = load_tariffs().on("invented-2026", date(2026, 3, 2))


def _next(entries: tuple[LedgerEntry, ...], study: StudyAssessed) -> tuple[LedgerEntry, ...]:
    owner = Account(study.study_instance_uid, study.patient_id, study.account, study.day)
    return (*entries, *bring_up_to(entries, price(study, TARIFF, UTC).lines, owner))


def _ledger_of(studies: list[StudyAssessed]) -> tuple[LedgerEntry, ...]:
    entries: tuple[LedgerEntry, ...] = ()
    for study in studies:
        entries = _next(entries, study)
    return entries


def test_the_first_charges_are_numbered_from_one() -> None:
    entries = _ledger_of([assessed(images=[image(1)])])

    assert [entry.posting_key for entry in entries] == [f"charge:{STUDY}:1", f"charge:{STUDY}:2"]
    assert all(entry.type is EntryType.CHARGE for entry in entries)
    assert {entry.patient_id for entry in entries} == {"P-1001"}


def test_the_same_study_again_adds_nothing() -> None:
    study = assessed(images=[image(1), image(2)])

    assert _ledger_of([study]) == _ledger_of([study, study, study])


def test_of_two_charges_that_are_alike_each_stands_for_itself() -> None:
    # given: no tariff of ours makes two lines that are alike; nothing forbids it either
    study = assessed(images=[image(1)])
    (line, *_) = price(study, TARIFF, UTC).lines
    owner = Account(study.study_instance_uid, study.patient_id, study.account, study.day)
    both = bring_up_to((), (line, line), owner)

    # then
    assert bring_up_to(both, (line, line), owner) == ()
    (credit,) = bring_up_to(both, (line,), owner)
    assert credit.type is EntryType.CREDIT


def test_a_further_view_adds_one_charge_and_touches_no_other() -> None:
    before = _ledger_of([assessed(images=[image(1)])])

    after = _next(before, assessed(2, images=[image(1), image(2)]))

    assert after[: len(before)] == before
    (added,) = after[len(before) :]
    assert (added.type, added.code) == (EntryType.CHARGE, "INV-DOG-NEXT")


def test_a_rejected_image_is_reversed_by_a_credit_of_the_same_amount() -> None:
    before = _ledger_of([assessed(images=[image(1), image(2)])])

    after = _next(before, assessed(2, images=[image(1), image(2, ImageUse.REJECTED)]))

    (credit,) = after[len(before) :]
    assert credit.type is EntryType.CREDIT
    assert credit.reverses == f"charge:{STUDY}:2"
    assert (credit.amount, credit.images) == (Decimal("14.50"), ("2.25.2002",))


def test_an_earlier_image_that_comes_late_reverses_the_first_view_and_reposts_it() -> None:
    after = _ledger_of([assessed(images=[image(2)]), assessed(2, images=[image(1), image(2)])])

    assert [(entry.type.value, entry.code, entry.images[0]) for entry in after] == [
        ("charge", "INV-DOG-FIRST", "2.25.2002"),
        ("charge", "INV-COVER", "2.25.2002"),
        ("credit", "INV-DOG-FIRST", "2.25.2002"),
        ("credit", "INV-COVER", "2.25.2002"),
        ("charge", "INV-DOG-FIRST", "2.25.2001"),
        ("charge", "INV-DOG-NEXT", "2.25.2002"),
        ("charge", "INV-COVER", "2.25.2001"),
    ]


def test_a_repost_names_the_charge_in_whose_place_it_is() -> None:
    after = _ledger_of([assessed(images=[image(2)]), assessed(2, images=[image(1), image(2)])])

    links = [(entry.posting_key[-2:], entry.reverses, entry.replaces) for entry in after]
    key = f"charge:{STUDY}"
    assert links == [
        (":1", None, None),
        (":2", None, None),
        (":3", f"{key}:1", None),
        (":4", f"{key}:2", None),
        (":5", None, f"{key}:1"),  # the first view is another image now
        (":6", None, None),
        (":7", None, f"{key}:2"),
    ]


def test_a_study_that_turns_out_to_be_another_patients_is_credited_to_the_first() -> None:
    wrong = assessed(images=[image(1)])
    right = assessed(2, images=[image(1)], patient_id="P-2", patient=patient("P-2"))

    after = _ledger_of([wrong, right])

    assert [(entry.type.value, entry.patient_id) for entry in after] == [
        ("charge", "P-1001"),
        ("charge", "P-1001"),
        ("credit", "P-1001"),
        ("credit", "P-1001"),
        ("charge", "P-2"),
        ("charge", "P-2"),
    ]


def test_a_cancelled_study_is_credited_in_full() -> None:
    images = [image(1), image(2)]

    after = _ledger_of([assessed(images=images), assessed(2, images, state=StudyState.CANCELLED)])

    assert balance(after) == 0
    assert standing(after) == ()


@st.composite
def _studies(draw: st.DrawFn) -> list[StudyAssessed]:
    """Draw revisions of one study: uses, times, patient and state change at will."""
    count = draw(st.integers(1, 6))
    studies = []
    for revision in range(1, count + 1):
        uses = draw(st.lists(st.sampled_from(list(ImageUse)), max_size=6))
        shift = draw(st.sampled_from([1, -1]))
        images = [
            image(number, use, after_s=60.0 * number * shift)
            for number, use in enumerate(uses, start=1)
        ]
        patient_id = draw(st.sampled_from(["P-1001", "P-2"]))
        state = draw(st.sampled_from([StudyState.COMPLETE, StudyState.CANCELLED]))
        studies.append(
            assessed(
                revision, images, patient_id=patient_id, patient=patient(patient_id), state=state
            )
        )
    return studies


@given(_studies())
def test_after_any_sequence_the_ledger_holds_exactly_what_the_study_costs(
    studies: list[StudyAssessed],
) -> None:
    entries: tuple[LedgerEntry, ...] = ()
    for study in studies:
        before = entries
        entries = _next(entries, study)
        priced = price(study, TARIFF, UTC)

        assert entries[: len(before)] == before
        assert balance(entries) == priced.total
        assert sorted((one.code, one.images) for one in standing(entries)) == sorted(
            (line.code, line.images) for line in priced.lines
        )
        assert {one.patient_id for one in standing(entries)} <= {study.patient_id}


@given(_studies())
def test_no_key_comes_twice_and_a_credit_reverses_one_earlier_charge_of_its_amount(
    studies: list[StudyAssessed],
) -> None:
    entries = _ledger_of(studies)

    keys = [entry.posting_key for entry in entries]
    assert len(keys) == len(set(keys))
    charges: dict[str, LedgerEntry] = {}
    for entry in entries:
        if entry.type is EntryType.CHARGE:
            assert entry.reverses is None
            charges[entry.posting_key] = entry
        else:
            assert entry.reverses is not None
            charge = charges.pop(entry.reverses)  # gone, so that none is reversed twice
            assert entry.amount == charge.amount
            assert entry.patient_id == charge.patient_id


@given(_studies())
def test_a_replay_gives_the_same_ledger(studies: list[StudyAssessed]) -> None:
    assert _ledger_of(studies) == _ledger_of(studies)
    assert _ledger_of(studies) == _ledger_of([one for study in studies for one in (study, study)])
