"""The worklist: what may be done, who agreed, ages, and what the month's summary counts."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.facts import ExceptionAction
from schemas.group import Role
from services.charges.compared import Class, Posted
from services.charges.effects import Effect, effects_of
from services.charges.exceptions import (
    Agreement,
    ChargeException,
    Decision,
    Status,
    aging,
    exception_id,
    worklist,
)
from services.charges.month_summary import summarize
from tests.reconciled import DAY, RULES, due, found, line

CAREFUL = RULES.model_copy(update={"four_eyes_above": Decimal("37.99")})
AT = datetime(2026, 3, 5, 9, 0, tzinfo=UTC)
BILLING, LEAD = frozenset({Role.BILLING}), frozenset({Role.LEAD})
POST, REVERSE, ACCEPT = ExceptionAction.POST, ExceptionAction.REVERSE, ExceptionAction.ACCEPT


def _missing(
    decisions: list[Decision] | None = None, agreements: list[Agreement] | None = None
) -> ChargeException:
    findings = found([due()])
    (one,) = worklist("north", findings, CAREFUL, decisions or [], agreements or [], DAY)
    return one


def _decision(
    action: ExceptionAction = POST, person: str = "billing-1", after_min: int = 0
) -> Decision:
    at = AT + timedelta(minutes=after_min)
    return Decision(_missing().id, action, person, BILLING, at, "invented")


def _agreement(
    action: ExceptionAction = POST,
    person: str = "lead-1",
    after_min: int = 5,
    roles: frozenset[Role] = LEAD,
) -> Agreement:
    return Agreement(_missing().id, action, person, roles, AT + timedelta(minutes=after_min))


def test_an_exception_is_named_by_its_evidence() -> None:
    one, other = (
        found([due()], [line(due(), amount=Decimal("40.00"))]),
        found([due()], [line(due(), amount=Decimal("41.00"))]),
    )

    assert exception_id("north", one[0]) == exception_id("north", one[0])
    assert exception_id("north", one[0]) != exception_id("north", other[0])
    assert exception_id("north", one[0]) != exception_id("south", one[0])


def test_each_class_allows_its_own_actions() -> None:
    findings = found(
        [due(1), due(2, code="B"), due(3, code="C")],
        [
            line(due(2, code="B"), amount=Decimal("1.00")),
            line(due(3, code="C"), "L-3"),
            line(due(3, code="C"), "L-4"),
            line(line_id="L-5", code="X", amount=Decimal("9.00")),
        ],
    )

    listed = worklist("north", findings, RULES, [], [], DAY)

    assert {one.finding.kind: one.actions for one in listed} == {
        Class.MISSING: (POST, ACCEPT),
        Class.AMOUNT_CHANGED: (POST, ACCEPT),
        Class.DOUBLED: (REVERSE, ACCEPT),
        Class.UNSUPPORTED: (REVERSE, ExceptionAction.ASSIGN, ACCEPT),
    }


def test_a_decision_for_an_action_that_is_not_allowed_is_none() -> None:
    assert _missing([_decision(REVERSE)]).status is Status.OPEN


def test_below_the_groups_amount_one_person_is_enough() -> None:
    findings = found([due(amount="37.99")])
    name = exception_id("north", findings[0])

    (one,) = worklist(
        "north", findings, CAREFUL, [Decision(name, POST, "billing-1", BILLING, AT)], [], DAY
    )

    assert not one.needs_second
    assert one.status is Status.UNDER_WAY


def test_the_second_must_be_another_person_of_the_role_who_agrees_to_the_same() -> None:
    refused = [
        _agreement(person="billing-1"),
        _agreement(roles=BILLING),
        _agreement(ACCEPT),
        _agreement(after_min=-1),
    ]

    assert _missing([_decision()]).status is Status.WAITS_FOR_SECOND
    for agreement in refused:
        assert _missing([_decision()], [agreement]).status is Status.WAITS_FOR_SECOND
    one = _missing([_decision()], [*refused, _agreement()])
    assert one.in_force is not None
    assert (one.status, one.in_force.second) == (Status.UNDER_WAY, "lead-1")


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([POST, ACCEPT]), st.sampled_from(["a", "b"]), st.integers(0, 9)),
        max_size=4,
    ),
    st.lists(
        st.tuples(st.sampled_from([POST, ACCEPT]), st.sampled_from(["a", "b"]), st.integers(0, 9)),
        max_size=4,
    ),
    st.randoms(use_true_random=False),
)
def test_decisions_in_any_order_and_twice_give_the_same_status(
    decided: list[tuple[ExceptionAction, str, int]],
    agreed: list[tuple[ExceptionAction, str, int]],
    chance: random.Random,
) -> None:
    decisions = [_decision(*one) for one in decided]
    agreements = [_agreement(*one) for one in agreed]
    first = _missing(decisions, agreements)

    again = [*decisions, *decisions]
    also = [*agreements, *agreements]
    chance.shuffle(again)
    chance.shuffle(also)

    assert _missing(again, also) == first


def test_ages_are_summed_by_bucket_without_what_was_accepted() -> None:
    findings = found(
        [due(1), due(2, code="B", day=DAY - timedelta(days=10)), due(3, code="C")], as_of=DAY
    )
    accepted = Decision(exception_id("north", findings[2]), ACCEPT, "billing-1", BILLING, AT, "x")

    buckets = aging(worklist("north", findings, RULES, [accepted], [], DAY))

    assert buckets == {
        "0 to 1 days": (1, Decimal("38.00")),
        "8 to 30 days": (1, Decimal("38.00")),
    }


def test_a_credit_that_the_record_refused_is_put_right_by_a_line_of_its_own() -> None:
    credit = due(2, "-38.00", reverses=due().key, state=Posted.REJECTED, words="no such charge")
    findings = found([due(), credit], [line(due())])
    (one,) = worklist("north", findings, RULES, [], [], DAY)
    decision = Decision(one.id, POST, "billing-1", BILLING, AT)

    (effect,) = effects_of(worklist("north", findings, RULES, [decision], [], DAY))

    assert effect.again == ()
    assert [(fix.amount, fix.corrects) for fix in effect.corrections] == [
        (Decimal("-38.00"), credit.key)
    ]


def test_a_charge_refused_even_when_posted_again_gets_a_line_of_its_own() -> None:
    findings = found([due(state=Posted.REJECTED, words="not posted")])
    name = exception_id("north", findings[0])
    decision = Decision(name, POST, "billing-1", BILLING, AT)
    listed = worklist("north", findings, RULES, [decision], [], DAY)

    (first,), (second,) = effects_of(listed), effects_of(listed, {name})

    assert (first.again, first.corrections) == ((due().key,), ())
    assert second.again == ()
    assert [(fix.amount, fix.corrects) for fix in second.corrections] == [
        (Decimal("38.00"), due().key)
    ]


def test_corrections_bring_every_patient_and_code_to_nothing() -> None:
    wrong = line(due(), patient="P-2002", amount=Decimal("50.00"))
    findings = found([due()], [wrong])
    (one,) = worklist("north", findings, RULES, [], [], DAY)
    decision = Decision(one.id, POST, "billing-1", BILLING, AT)

    (effect,) = effects_of(worklist("north", findings, RULES, [decision], [], DAY))

    assert [(fix.patient, fix.amount) for fix in effect.corrections] == [
        ("P-2002", Decimal("-50.00")),
        ("P-1001", Decimal("38.00")),
    ]
    fixes = [
        due(key=fix.key, patient=fix.patient, amount=str(fix.amount), corrects=fix.corrects)
        for fix in effect.corrections
    ]
    held = [wrong, *(line(fix, f"L-{n}") for n, fix in enumerate(fixes, start=5))]
    settled = found([due(), *fixes], held)
    assert worklist("north", settled, RULES, [], [], DAY) == ()
    summary = summarize(settled, [effect])
    assert (summary.prevented, summary.prevented_amount) == (1, Decimal("50.00"))
    assert (summary.recovered, summary.under_way) == (0, 0)


def test_only_lines_of_ours_that_are_held_as_posted_are_counted_as_matched() -> None:
    # given: one as posted, one changed, and a charge with its credit that never went out
    never = [due(3, state=Posted.REJECTED), due(4, "-38.00", state=Posted.REJECTED)]
    never[1] = never[1]._replace(reverses=never[0].key)
    changed = line(due(2), "L-2", amount=Decimal("50.00"))
    findings = found([due(), due(2), *never], [line(due()), changed])
    assert sum(one.kind is Class.MATCHED for one in findings) == 3

    summary = summarize(findings, [])

    assert (summary.matched, summary.matched_amount) == (1, Decimal("38.00"))


def test_what_was_short_by_less_than_one_of_money_was_recovered_and_what_balances_was_not() -> None:
    # given: 40 cents too little, and another code at the same amount
    short = found([due(amount="38.40")], [line(due())])
    other = found([due()], [line(due(), code="INV-OTHER")])
    told: list[Effect] = []
    for findings in (short, other):
        (listed,) = worklist("north", findings, RULES, [], [], DAY)
        assert listed.age_days == 0
        decision = Decision(listed.id, POST, "billing-1", BILLING, AT)
        told += effects_of(worklist("north", findings, RULES, [decision], [], DAY))
    fixes = [fix for effect in told for fix in effect.corrections]

    held = [line(due(key=fix.key), f"L-{n}") for n, fix in enumerate(fixes, start=5)]
    summary = summarize(found([due(key=fix.key) for fix in fixes], held), told)

    assert (summary.recovered, summary.recovered_amount) == (1, Decimal("0.40"))
    assert (summary.prevented, summary.prevented_amount) == (1, Decimal("38.00"))
    assert summary.under_way == 0


def test_less_than_one_of_money_too_much_is_credited_on_the_day_where_it_stands() -> None:
    later = DAY + timedelta(days=1)
    findings = found([due()], [line(due(), day=later, amount=Decimal("38.40"))])
    (listed,) = worklist("north", findings, RULES, [], [], DAY)
    decision = Decision(listed.id, POST, "billing-1", BILLING, AT, "invented")

    (decided,) = worklist("north", findings, RULES, [decision], [], DAY)
    (effect,) = effects_of([decided], tried=frozenset())

    assert [(one.amount, one.day) for one in effect.corrections] == [(Decimal("-0.40"), later)]


def test_what_is_decided_and_not_seen_in_the_record_is_under_way() -> None:
    findings = found([due()])
    decision = Decision(exception_id("north", findings[0]), POST, "billing-1", BILLING, AT)
    effects = effects_of(worklist("north", findings, RULES, [decision], [], DAY))

    before = summarize(findings, effects)
    after = summarize(found([due()], [line(due())]), effects)

    assert (before.under_way, before.recovered) == (1, 0)
    assert (after.under_way, after.recovered_amount) == (0, Decimal("38.00"))
    assert "nobody measured" in after.how_counted
