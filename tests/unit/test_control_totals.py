"""Control totals: both sides of each equation agree to the cent, or the place is named."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.charges.compared import ZERO, Class, Posted
from services.charges.control_totals import ControlTotalError, Imaged, control_totals, sum_totals
from services.charges.reconcile import reconcile
from tests.reconciled import DAY, RULES, STUDY, books, due, line
from tests.simulated_records.conditions import HELD_OUT, Conditions
from tests.simulated_records.month import simulate

IMAGE = "2.25.2001"
IMAGED = Imaged(
    STUDY, DAY, Decimal("38.00"), True, frozenset({IMAGE}), frozenset({IMAGE}), frozenset()
)
DAYS = frozenset({DAY})


def test_each_difference_has_its_class_and_the_day_balances() -> None:
    own = books(
        [due(), due(2, "14.50"), due(3, "1.20", state=Posted.WAITING)],
        [line(due(), amount=Decimal("50.00")), line(due(), "L-2"), line(line_id="L-3", code="X")],
    )
    imaged = replace(IMAGED, total=Decimal("53.70"))

    totals = control_totals("north", [imaged], own, reconcile(own, RULES, DAY), DAYS)[DAY]

    assert (totals.priced, totals.not_due, totals.due) == (Decimal("53.70"), ZERO, Decimal("53.70"))
    assert (totals.posted, totals.open) == (Decimal("52.50"), Decimal("1.20"))
    assert totals.differences == {
        Class.MISSING: Decimal("-14.50"),
        Class.DOUBLED: Decimal("50.00"),
        Class.UNSUPPORTED: Decimal("38.00"),
    }
    assert totals.held == Decimal("126.00")
    assert totals.posted + sum(totals.differences.values()) == totals.held
    # What is on its way is in no difference and wants nobody: 14.50 missing, 50.00 and 38.00 over.
    assert totals.outstanding == Decimal("102.50")
    twice = sum_totals([totals, totals])
    assert twice.differences == {kind: 2 * one for kind, one in totals.differences.items()}
    assert (twice.outstanding, twice.images_seen) == (2 * totals.outstanding, 2)


def test_a_line_at_another_patient_is_a_difference_at_both_and_none_in_all() -> None:
    own = books([due()], [line(due(), patient="P-2002")])

    totals = control_totals("north", [IMAGED], own, reconcile(own, RULES, DAY), DAYS)[DAY]

    assert totals.differences == {Class.OTHER_PATIENT: ZERO}
    assert totals.outstanding == Decimal("38.00")


def test_a_line_of_another_day_is_a_difference_on_both_days() -> None:
    later = DAY + timedelta(days=30)
    own = books([due()], [line(due(), day=later)])

    totals = control_totals("north", [IMAGED], own, reconcile(own, RULES, later), DAYS | {later})

    assert totals[DAY].differences == {Class.LATE: Decimal("-38.00")}
    assert totals[later].differences == {Class.LATE: Decimal("38.00")}
    assert sum_totals(totals.values()).differences == {Class.LATE: ZERO}


def test_a_finding_that_is_left_out_breaks_the_proof() -> None:
    own = books([due()], [line(due()), line(line_id="L-2", code="X")])
    findings = reconcile(own, RULES, DAY)

    with pytest.raises(ControlTotalError, match="explained once"):
        control_totals("north", [IMAGED], own, findings[1:], DAYS)


def test_a_finding_with_another_amount_breaks_the_proof_at_its_patient() -> None:
    own = books([due()], [line(due(), amount=Decimal("50.00"))])
    (one,) = reconcile(own, RULES, DAY)
    assert one.held is not None
    wrong = replace(one, held=one.held._replace(amount=Decimal("50.01")))

    with pytest.raises(ControlTotalError) as caught:
        control_totals("north", [IMAGED], own, [wrong], DAYS)

    assert caught.value.equation == "posted + differences = held"
    assert "P-1001" in caught.value.place


def test_an_image_without_charge_or_reason_breaks_the_proof() -> None:
    own = books([due()], [line(due())])
    silent = replace(IMAGED, images=frozenset({IMAGE, "2.25.9"}))

    with pytest.raises(ControlTotalError, match="images seen"):
        control_totals("north", [silent], own, reconcile(own, RULES, DAY), DAYS)


def test_a_ledger_that_is_not_the_price_breaks_the_proof() -> None:
    own = books([due()], [line(due())])

    with pytest.raises(ControlTotalError, match="priced - not due yet = due"):
        control_totals(
            "north",
            [replace(IMAGED, total=Decimal("38.01"))],
            own,
            reconcile(own, RULES, DAY),
            DAYS,
        )


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([Conditions(), *HELD_OUT.values()]))
def test_every_simulated_month_balances_to_the_cent(seed: int, conditions: Conditions) -> None:
    month = simulate(seed, replace(conditions, studies_a_day=5, days=6))
    findings = reconcile(month.books, RULES, month.last_day)

    totals = sum_totals(
        control_totals("north", month.imaged, month.books, findings, month.days).values()
    )

    assert totals.held == sum((one.amount for one in month.books.held), ZERO)
    assert totals.due == sum((one.total for one in month.imaged), ZERO)
    assert totals.images_seen == totals.images_charged + totals.images_not_charged
