"""Lines by hand: what a pair has in common, and how sure that makes it, reckoned by hand."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from services.charges.matching import confidence_of, features_of
from tests.reconciled import DAY, RULES, due, line


def amount_of(amount: str, quantity: int = 1) -> str:
    """Say how a line's amount compares with an entry of one at 100.00."""
    entered = line(amount=Decimal(amount), quantity=quantity)
    features = features_of(due(amount="100.00"), entered, RULES)
    assert features is not None
    return features[0].partition(", ")[2]


@pytest.mark.parametrize(
    ("amount", "quantity", "said"),
    [
        ("100.00", 1, "amount equal"),
        ("120.00", 1, "amount near"),  # a fifth more
        ("80.00", 1, "amount near"),  # a fifth less
        ("120.01", 1, "amount other"),
        ("79.99", 1, "amount other"),
        ("300.00", 3, "amount near"),  # three at the same price each
        ("300.00", 2, "amount other"),
    ],
)
def test_an_amount_is_near_up_to_a_fifth_or_at_the_same_price_each(
    amount: str, quantity: int, said: str
) -> None:
    assert amount_of(amount, quantity) == said


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (0, "day equal"),
        (1, "day off by 1"),
        (2, "day off by more"),
        (RULES.match_window_days, None),
    ],
)
def test_a_day_may_be_off_within_the_groups_window(days: int, said: str | None) -> None:
    for day in (DAY + timedelta(days=days), DAY - timedelta(days=days)):
        features = features_of(due(), line(day=day), RULES)
        assert features is not None
        assert features[1] == (said or "day off by more")
    assert features_of(due(), line(day=DAY + timedelta(RULES.match_window_days + 1)), RULES) is None


@pytest.mark.parametrize(("quantity", "said"), [(1, "quantity equal"), (2, "quantity other")])
def test_a_quantity_is_that_of_the_charge_or_another(quantity: int, said: str) -> None:
    features = features_of(due(), line(quantity=quantity), RULES)

    assert features is not None
    assert features[2] == said


@pytest.mark.parametrize(
    "other", [{"patient": "P-2"}, {"code": "INV-OTHER"}, {"amount": Decimal("-38.00")}]
)
def test_another_patient_another_kind_of_code_or_a_credit_is_no_pair(other: dict[str, Any]) -> None:
    assert features_of(due(), line(), RULES) is not None
    assert features_of(due(), line(**other), RULES) is None


# With the weights on record: the natural logarithms are added up, and p = 1 / (1 + e^-sum).
@pytest.mark.parametrize(
    ("features", "confidence"),
    [
        (("code equal, amount equal", "day equal", "quantity equal"), 0.98463),  # 4.16
        (("code equal, amount near", "day off by 1", "quantity other"), 0.94321),  # 2.81
        (("code equal, amount other", "day off by more", "quantity equal"), 0.90291),  # 2.23
        (("code of the family, amount equal", "day equal", "quantity equal"), 0.95120),  # 2.97
        (("code of the family, amount near", "day off by more", "quantity other"), 0.78245),  # 1.28
        (("code of the family, amount other", "day equal", "quantity equal"), 0.00102),  # -6.89
    ],
)
def test_a_confidence_is_that_of_all_features_together(
    features: tuple[str, ...], confidence: float
) -> None:
    assert confidence_of(features) == pytest.approx(confidence, abs=6e-6)
