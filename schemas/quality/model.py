"""The shape of published quality values."""

from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Fraction, Name, Text

Index = Annotated[float, Field(allow_inf_nan=False)]


class ValueBasis(StrEnum):
    """``read``: seen in the source or a page that gives it; ``memory``: cited from memory."""

    READ = "read"
    MEMORY = "memory"


class DeviationBand(Contract):
    """Deviation indices from ``above`` (not included) to ``up_to`` (included); None is no bound."""

    code: Name
    above: Index | None
    up_to: Index | None
    words: Text
    concern: Literal["none", "note", "check"]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "deviation-over",
            "above": 1.0,
            "up_to": 3.0,
            "words": "overexposed; repeat only if the anatomy of interest is burnt out",
            "concern": "note",
        },
    )

    def holds(self, index: float) -> bool:
        """Whether a deviation index falls into this band."""
        low = self.above is None or index > self.above
        return low and (self.up_to is None or index <= self.up_to)


class DeviationBands(Contract):
    """Action bands of the deviation index, without gap or overlap, lowest first."""

    source: Text
    basis: ValueBasis
    note: Text
    bands: Annotated[tuple[DeviationBand, ...], Field(min_length=1, max_length=20)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "source": "An example of the form.",
            "basis": "memory",
            "note": "Adapted.",
            "bands": [DeviationBand.EXAMPLES[0] | {"above": None, "up_to": None}],
        },
    )

    @model_validator(mode="after")
    def _meet_each_other(self) -> Self:
        for lower, upper in pairwise(self.bands):
            if lower.up_to is None or lower.up_to != upper.above:
                raise ValueError(f"expected band {upper.code} to begin where {lower.code} ends")
        if self.bands[0].above is not None or self.bands[-1].up_to is not None:
            raise ValueError("expected the first band without 'above' and the last without 'up_to'")
        return self

    def band(self, index: float) -> DeviationBand:
        """The band of a finite deviation index."""
        return next(band for band in self.bands if band.holds(index))


class RejectTarget(Contract):
    """A published level of the share of rejected images. ``meaning`` says what it calls for."""

    name: Name
    rate: Fraction
    meaning: Literal["target", "investigate"]
    source: Text
    basis: ValueBasis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "uk-digital",
            "rate": 0.05,
            "meaning": "target",
            "source": "An example of the form.",
            "basis": "read",
        },
    )


class RejectTargets(Contract):
    """Targets for human imaging, and how many images it takes to judge."""

    note: Text
    least_images: Annotated[int, Field(ge=1)]
    least_images_source: Text
    targets: Annotated[tuple[RejectTarget, ...], Field(min_length=1, max_length=20)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "note": "Human imaging.",
            "least_images": 100,
            "least_images_source": "An example of the form.",
            "targets": [RejectTarget.EXAMPLES[0]],
        },
    )
