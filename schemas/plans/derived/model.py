"""The shape of a file of derived plans."""

from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Name, Text
from schemas.plans.model import (
    PlannedDentition,
    ReceptorSize,
    Region,
    Scope,
    Source,
    Technique,
    ViewCode,
)
from schemas.teeth import Species

Quadrant = Annotated[int, Field(ge=1, le=8)]
Position = Annotated[int, Field(ge=1, le=11)]


class Excerpt(Contract):
    """Some or all views of another plan, under a code of their own.

    The views are those that show a tooth of ``quadrants``, or those named in ``views``, or, with
    neither, all. ``dentition`` reads the same views for an animal that is changing its teeth.
    """

    code: Name
    name: Text
    of: Name
    scope: Scope
    quadrants: tuple[Quadrant, ...] = ()
    views: tuple[ViewCode, ...] = ()
    dentition: PlannedDentition | None = None
    on_request_only: bool = True
    source: Annotated[tuple[Source, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "dog-mandible-right",
            "name": "dog, right lower jaw",
            "of": "dog-full-mouth",
            "scope": "regional",
            "quadrants": [4],
            "source": [{"citation": "One quadrant's views: our own start.", "basis": "invented"}],
        },
    )

    @model_validator(mode="after")
    def _chooses_in_one_way(self) -> Self:
        if self.quadrants and self.views:
            raise ValueError("expected quadrants or views, not both")
        return self


class FollowUpView(Contract):
    """One view of one tooth. ``words`` follow the tooth's name; ``suffix`` ends the code."""

    suffix: Annotated[str, Field(pattern=r"^[a-z0-9]{1,11}$")]
    words: Text
    technique: Technique
    receptor_size: ReceptorSize
    positioning: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "suffix": "lateral",
            "words": "straight from the side",
            "technique": "bisecting",
            "receptor_size": 2,
            "positioning": "Beam from the side, about 45 degrees.",
        },
    )


class ToothGroup(Contract):
    """The views that each tooth of a region gets. ``positions`` narrows it; empty means all."""

    region: Region
    positions: tuple[Position, ...] = ()
    views: Annotated[tuple[FollowUpView, ...], Field(min_length=1, max_length=6)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"region": "maxillary_cheek_teeth", "views": [FollowUpView.EXAMPLES[0]]},
    )


class FollowUp(Contract):
    """A single-tooth plan for every tooth of a species, deciduous ones too.

    The first group that fits a tooth counts. The plan of tooth 108 of a dog has the code
    ``dog-follow-up-108``, and its views begin with ``t108-``.
    """

    species: Species
    source: Annotated[tuple[Source, ...], Field(min_length=1)]
    cautions: Annotated[tuple[Text, ...], Field(min_length=1)]
    groups: Annotated[tuple[ToothGroup, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "species": "dog",
            "source": [{"citation": "An example of the form.", "basis": "invented"}],
            "cautions": ["Nobody holds the receptor or the animal during an exposure."],
            "groups": [ToothGroup.EXAMPLES[0]],
        },
    )


class DerivedPlans(Contract):
    """One file of derived plans."""

    excerpts: tuple[Excerpt, ...] = ()
    follow_ups: tuple[FollowUp, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"excerpts": [Excerpt.EXAMPLES[0]], "follow_ups": [FollowUp.EXAMPLES[0]]},
    )
