"""What a tariff may add to the price of views, or take off it."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract
from schemas.conclusions.charges import ChargeCode
from schemas.tariffs.money import Percent, UnitAmount


class CodeCap(Contract):
    """The most that one code costs in a study: so many of it, such an amount, or both."""

    quantity: Annotated[int, Field(ge=1, le=1000)] | None = None
    amount: UnitAmount | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"quantity": 12, "amount": "150.00"},)

    @model_validator(mode="after")
    def _caps_something(self) -> Self:
        if self.quantity is None and self.amount is None:
            raise ValueError("expected quantity, amount or both")
        return self


class Caps(Contract):
    """The most that one code and the whole study cost, in the tariff's terms.

    A code is capped before the referral discount, the study after it.
    """

    study_amount: UnitAmount | None = None
    by_code: dict[ChargeCode, CodeCap] = Field(default_factory=dict)

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"study_amount": "300.00", "by_code": {"INV-DOG-NEXT": CodeCap.EXAMPLES[0]}},
    )


class WithoutWord(StrEnum):
    """What to do where no readiness check tells of a new cover.

    ``CHARGE``: one with the first diagnostic view, for an image is there; ``LEAVE``: none.
    """

    CHARGE = "charge"
    LEAVE = "leave"


class Consumable(Contract):
    """Something used up once for each patient: the cover of the sensor.

    It is charged only beside a view. A readiness check that says that there was no new cover
    keeps it from being charged; where one says that there was, the line rests on that check.
    """

    article: ChargeCode
    where_not_told: WithoutWord

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"article": "INV-COVER", "where_not_told": "charge"},
    )


class AfterHours(Contract):
    """A supplement, once a study, where its first diagnostic view was taken after hours."""

    article: ChargeCode

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"article": "INV-AFTER-HOURS"},)


class Referral(Contract):
    """The discount where the order says that another practice sent the animal."""

    discount_percent: Percent
    on_consumables: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"discount_percent": "10"},)


class MinimumCharge(Contract):
    """The least that a study costs of which anything is charged; a line makes up the rest.

    The article's own price is not used.
    """

    article: ChargeCode
    amount: UnitAmount

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"article": "INV-MINIMUM", "amount": "30.00"},
    )
