"""Reconciliation: each class with its evidence, and the same result for any order of facts."""

from __future__ import annotations

import random
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.charges.compared import Class, Finding, Leg, Posted
from services.charges.reconcile import reconcile
from tests.reconciled import DAY, RULES, books, due, found, line
from tests.simulated_records.conditions import HELD_OUT, TUNED, Conditions
from tests.simulated_records.month import simulate
from tests.simulated_records.scoring import findings_of, score

FEW = Conditions(studies_a_day=6, days=8)


def test_a_line_that_is_held_as_posted_is_matched_and_asks_for_nothing() -> None:
    (one,) = found([due()], [line(due())])

    assert one.kind is Class.MATCHED
    assert not one.outstanding
    assert one.difference == 0


def test_the_greater_of_too_much_and_too_little_is_at_stake_to_the_cent() -> None:
    def at_stake(*amounts: str) -> str:
        legs = tuple(Leg("P-1001", amount, Decimal(amount)) for amount in amounts)
        return str(Finding(Class.MISSING, due(), None, "invented", outstanding=legs).at_stake)

    assert at_stake("-0.50", "-0.20", "0.30", "0.00") == "0.70"
    assert at_stake("-0.50", "0.40", "0.30") == "0.70"
    assert Finding(Class.MISSING, due(), None, "invented").confidence == 1.0


def test_a_line_that_the_record_accepted_and_lost_is_missing() -> None:
    (one,) = found([due()])

    assert one.kind is Class.MISSING
    assert "does not hold" in one.reason
    assert one.outstanding == (Leg("P-1001", "INV-IO-FIRST", Decimal("-38.00")),)


def test_a_rejected_line_is_missing_with_the_records_words() -> None:
    (one,) = found([due(state=Posted.REJECTED, words="Account closed")])

    assert one.kind is Class.MISSING
    assert "Account closed" in one.reason


def test_what_is_on_its_way_is_open_and_after_some_days_late() -> None:
    waiting = due(state=Posted.WAITING)
    after = timedelta(days=RULES.late_after_days)

    assert [one.kind for one in found([waiting], as_of=DAY + after)] == [Class.OPEN]
    late = found([waiting], as_of=DAY + after + timedelta(days=1))
    assert [one.kind for one in late] == [Class.LATE]


def test_a_second_line_under_our_key_is_doubled_and_the_one_as_posted_stands() -> None:
    edited = line(due(), "L-1", amount=Decimal("40.00"))
    whole = line(due(), "L-2")

    kept, extra = sorted(found([due()], [edited, whole]), key=lambda one: one.kind is Class.DOUBLED)

    assert kept.held == whole
    assert kept.kind is Class.MATCHED
    assert (extra.kind, extra.held, extra.at_stake) == (Class.DOUBLED, edited, Decimal("40.00"))


def test_of_two_copies_the_one_of_the_right_day_stands() -> None:
    moved = line(due(), "L-1", day=DAY + timedelta(days=1))
    whole = line(due(), "L-2")

    for lines in ([moved, whole], [whole, moved]):
        stands = {one.kind: one.held for one in found([due()], lines)}
        assert stands == {Class.MATCHED: whole, Class.DOUBLED: moved}


def test_of_two_copies_that_are_alike_the_one_entered_first_stands() -> None:
    first = line(due(), "L-9", entered_on=DAY)
    second = line(due(), "L-1", entered_on=DAY + timedelta(days=1))
    unknown = line(due(), "L-0", entered_on=None)

    for lines in ([first, second, unknown], [unknown, second, first]):
        kept = [one.held for one in found([due()], lines) if one.kind is Class.MATCHED]
        assert kept == [first]


@pytest.mark.parametrize(
    ("change", "kind", "at_stake"),
    [
        ({"amount": Decimal("50.00")}, Class.AMOUNT_CHANGED, Decimal("12.00")),
        ({"quantity": 2}, Class.AMOUNT_CHANGED, Decimal(0)),
        ({"code": "INV-OTHER"}, Class.CODE_CHANGED, Decimal("38.00")),
        ({"patient": "P-2002"}, Class.OTHER_PATIENT, Decimal("38.00")),
        ({"entered_on": DAY + timedelta(days=9)}, Class.LATE, Decimal(0)),
        ({"day": DAY + timedelta(days=30)}, Class.LATE, Decimal(0)),
    ],
)
def test_what_was_changed_by_hand_has_its_class(
    change: dict[str, Any], kind: Class, at_stake: Decimal
) -> None:
    (one,) = found([due()], [line(due(), **change)])

    assert (one.kind, one.at_stake) == (kind, at_stake)


def test_a_line_without_any_work_is_unsupported() -> None:
    (one,) = found([], [line()])

    assert (one.kind, one.at_stake, one.by_hand) == (Class.UNSUPPORTED, Decimal("38.00"), True)


def test_a_line_with_a_key_that_we_never_gave_is_unsupported() -> None:
    (one,) = found([], [line(due(9))])

    assert one.kind is Class.UNSUPPORTED
    assert "never gave" in one.reason


def test_a_charge_that_no_image_supports_any_more_is_unsupported() -> None:
    (one,) = found([due(supported=False)], [line(due())])

    assert (one.kind, one.at_stake) == (Class.UNSUPPORTED, Decimal("38.00"))


def test_a_line_by_hand_stands_for_a_charge_that_the_record_rejected() -> None:
    by_hand = line(day=DAY + timedelta(days=1))

    (one,) = found([due(state=Posted.REJECTED)], [by_hand])

    assert (one.kind, one.held, one.outstanding) == (Class.MATCHED, by_hand, ())
    assert 0.5 < one.confidence < 1.0
    assert "by hand" in one.reason


def test_a_line_by_hand_under_a_near_code_is_a_changed_code() -> None:
    (one,) = found([due()], [line(code="INV-IO-OTHER")])

    assert one.kind is Class.CODE_CHANGED


def test_a_line_by_hand_for_what_is_charged_already_is_doubled() -> None:
    extra = next(
        one for one in found([due()], [line(due()), line(line_id="L-2")]) if not one.expected
    )

    assert (extra.kind, extra.by_hand) == (Class.DOUBLED, True)
    assert due().key in extra.reason


def test_a_double_that_somebody_took_off_again_asks_for_nothing() -> None:
    off = line(line_id="L-3", amount=Decimal("-38.00"))

    findings = found([due()], [line(due()), line(line_id="L-2"), off])

    assert {one.kind for one in findings} == {Class.MATCHED}
    assert not any(one.outstanding for one in findings)


def test_of_several_charges_each_line_by_hand_gets_its_own() -> None:
    first = due(1, state=Posted.REJECTED)
    further = due(2, "14.50", code="INV-IO-NEXT", state=Posted.REJECTED)
    by_hand = [line(line_id="L-2", code="INV-IO-NEXT", amount=Decimal("14.50")), line()]

    findings = found([first, further], by_hand)

    pairs = {(one.expected.key, one.held.line_id) for one in findings if one.expected and one.held}
    assert pairs == {(first.key, "L-1"), (further.key, "L-2")}


def test_a_line_at_another_patient_is_only_a_suggestion() -> None:
    findings = found([due()], [line(patient="P-2002")])

    assert sorted(one.kind for one in findings) == [Class.MISSING, Class.UNSUPPORTED]
    assert all("perhaps" in one.reason for one in findings)


def test_a_persons_word_makes_a_pair_that_content_does_not() -> None:
    findings = found([due()], [line(patient="P-2002")], assigned={"L-1": due().key})

    assert [one.kind for one in findings] == [Class.OTHER_PATIENT]


def test_a_charge_reversed_before_the_record_held_it_asks_for_nothing() -> None:
    charge = due(state=Posted.REJECTED)
    credit = due(2, "-38.00", reverses=charge.key, state=Posted.REJECTED)

    findings = found([charge, credit])

    assert [one.kind for one in findings] == [Class.MATCHED, Class.MATCHED]
    assert not any(one.outstanding for one in findings)


def test_a_correction_that_is_held_settles_what_it_corrects() -> None:
    double = line(due(), "L-2")
    fix = due(1, "-38.00", key="correction:1", corrects="L-2")

    findings = found([due(), fix], [line(due()), double, line(fix, "L-3")])

    assert [one.kind for one in findings if one.held == double] == [Class.DOUBLED]
    assert not any(one.outstanding for one in findings)


def test_a_line_that_is_mended_by_hand_after_its_correction_is_wrong_again() -> None:
    fix = due(1, "-12.00", key="correction:1", corrects="L-1")

    findings = found([due(), fix], [line(due()), line(fix, "L-3")])

    (wrong,) = [one for one in findings if one.outstanding]
    assert (wrong.kind, wrong.at_stake) == (Class.AMOUNT_CHANGED, Decimal("12.00"))
    assert "changed in the record since" in wrong.reason


def test_a_correction_of_a_line_that_is_gone_is_unsupported() -> None:
    fix = due(1, "-38.00", key="correction:1", corrects="L-2")

    findings = found([due(), fix], [line(due()), line(fix, "L-3")])

    (wrong,) = [one for one in findings if one.outstanding]
    assert (wrong.kind, wrong.held) == (Class.UNSUPPORTED, line(fix, "L-3"))


def test_a_key_or_line_that_is_there_twice_is_no_book() -> None:
    with pytest.raises(ValueError, match="posting key once"):
        found([due(), due()])
    with pytest.raises(ValueError, match="line id once"):
        found([due()], [line(due()), line(due())])


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_any_order_of_entries_and_lines_gives_the_same_findings(
    seed: int, chance: random.Random
) -> None:
    month = simulate(seed, FEW)
    expected, held = list(month.books.expected), list(month.books.held)
    chance.shuffle(expected)
    chance.shuffle(held)

    again = reconcile(books(expected, held), RULES, month.last_day)

    assert again == findings_of(month, month.last_day)


def test_simulated_months_are_told_as_they_are() -> None:
    told = score(
        simulate(seed, condition)
        for seed, condition in enumerate([*TUNED.values(), *HELD_OUT.values()], start=40)
    )

    for kind in (Class.MATCHED, Class.DOUBLED, Class.MISSING, Class.AMOUNT_CHANGED):
        assert told.posted_true[kind] > 50
        assert (told.posted_precision(kind), told.posted_recall(kind)) == (1.0, 1.0), kind
    assert told.hand["explicable"] > 500
    assert told.hand_precision >= 0.98
    assert told.hand_recall >= 0.98
    assert told.calibration_error < 0.05


def test_ages_and_families_are_the_groups_own() -> None:
    rules = RULES.model_copy(update={"code_families": {"X1": "views"}})

    assert [rules.age_bucket(days) for days in (0, 1, 2, 30, 31)] == [
        "0 to 1 days",
        "0 to 1 days",
        "2 to 7 days",
        "8 to 30 days",
        "31 days and more",
    ]
    assert [rules.family_of(code) for code in ("X1", "INV-IO-NEXT", "PLAIN")] == [
        "views",
        "INV-IO",
        "PLAIN",
    ]
