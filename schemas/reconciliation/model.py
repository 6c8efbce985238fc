"""The shape of the rules of reconciliation. Every value is the group's own to set."""

from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from schemas.base import Contract, Name, Text
from schemas.facts.record_lines import HeldCode


def _from_text(value: object) -> object:
    """Read an amount; a YAML number is binary floating point and no amount of money."""
    if isinstance(value, str):
        try:
            return Decimal(value)
        except ArithmeticError as error:
            raise ValueError('expected an amount as text, such as "100.00"') from error
    if isinstance(value, Decimal):
        return value
    raise ValueError('expected an amount as text in quotes, such as "100.00"')


Limit = Annotated[
    Decimal, BeforeValidator(_from_text), Field(ge=0, max_digits=12, decimal_places=2)
]


class ReconciliationRules(Contract):
    """When a line is late, how far apart two days may be, and whose word is enough.

    ``late_after_days``: days from the work to the record. ``match_window_days``: how many days a
    line that was entered by hand may lie from the work. ``four_eyes_above``: a decision on more
    than this amount, in the tariff's currency, takes effect once a second person has
    countersigned it. ``aging_days``: the last day of each bucket of age; what is older has the
    last. ``code_families``: codes that stand for the same kind of work; a code that is not named
    belongs with those that are equal up to its last ``-``.
    """

    title: Text
    basis: Literal["invented", "group"]
    note: Text
    late_after_days: Annotated[int, Field(ge=0, le=366)]
    match_window_days: Annotated[int, Field(ge=0, le=31)]
    four_eyes_above: Limit
    aging_days: Annotated[tuple[Annotated[int, Field(ge=0, le=3660)], ...], Field(min_length=1)]
    code_families: dict[HeldCode, Name] = Field(default_factory=dict)

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "title": "Invented rules of reconciliation",
            "basis": "invented",
            "note": "Invented; every group sets its own.",
            "late_after_days": 3,
            "match_window_days": 2,
            "four_eyes_above": "100.00",
            "aging_days": [1, 7, 30],
        },
    )

    @model_validator(mode="after")
    def _ages_rise(self) -> Self:
        if any(
            one >= other for one, other in zip(self.aging_days, self.aging_days[1:], strict=False)
        ):
            raise ValueError(f"expected aging_days to rise, got {self.aging_days}")
        return self

    def family_of(self, code: str) -> str:
        """Give the family of a code: the group's own word, or the code up to its last ``-``."""
        return self.code_families.get(code) or code.rpartition("-")[0] or code

    def age_bucket(self, days: int) -> str:
        """Name the bucket of an age in days, such as ``2 to 7 days``."""
        first = 0
        for last in self.aging_days:
            if days <= last:
                return f"{first} to {last} days"
            first = last + 1
        return f"{first} days and more"
