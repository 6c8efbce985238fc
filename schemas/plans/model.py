"""The shape of a plan: which views show which teeth, and how each is taken."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Positive, Text, Tooth
from schemas.teeth import Dentition, Species, teeth_of


class Technique(StrEnum):
    """How beam, receptor and tooth stand to each other."""

    PARALLEL = "parallel"
    BISECTING = "bisecting"
    EXTRAORAL_NEAR_PARALLEL = "extraoral_near_parallel"


class Region(StrEnum):
    """The group of teeth that a view is centred on; every tooth of the view is in this jaw."""

    MAXILLARY_INCISORS = "maxillary_incisors"
    MAXILLARY_CANINE = "maxillary_canine"
    MAXILLARY_CHEEK_TEETH = "maxillary_cheek_teeth"
    MANDIBULAR_INCISORS = "mandibular_incisors"
    MANDIBULAR_CANINE = "mandibular_canine"
    MANDIBULAR_CHEEK_TEETH = "mandibular_cheek_teeth"


class PlannedDentition(StrEnum):
    """Whose teeth a plan counts.

    ``mixed``: of an animal that is changing its teeth. Which teeth exist then is not certain, so
    a mixed plan names positions by their permanent teeth, and counts a position as shown if
    either the deciduous or the permanent tooth of it is.
    """

    PERMANENT = "permanent"
    DECIDUOUS = "deciduous"
    MIXED = "mixed"


class Scope(StrEnum):
    """What a plan sets out to show."""

    FULL_MOUTH = "full_mouth"
    REGIONAL = "regional"
    SINGLE_TOOTH = "single_tooth"


class Basis(StrEnum):
    """How far a source can be trusted to say what is claimed of it.

    ``read``: seen while the plan was written. ``memory``: published, not looked up.
    ``practice``: common practice, no published source. ``invented``: our own, for a start.
    """

    READ = "read"
    MEMORY = "memory"
    PRACTICE = "practice"
    INVENTED = "invented"


class Source(Contract):
    """Where a part of the plan comes from."""

    citation: Text
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"citation": "The weight at which views are split.", "basis": "invented"},
    )


ReceptorSize = Annotated[int, Field(ge=0, le=4)]
"""An intraoral receptor size number, 0 to 4 (ISO 3665 sizes; from memory about 22x35, 24x40,
31x41, 27x54 and 57x76 mm)."""

ViewCode = Annotated[str, Field(min_length=1, max_length=16, pattern=r"^[a-z0-9][a-z0-9-]*$")]
"""A view's short name. It travels as a DICOM Code Value (SH), which holds 16 characters."""


class View(Contract):
    """One image to take.

    ``alternatives`` are the codes of views each of which may stand for this one alone.
    ``positioning`` is a reminder for trained staff, not an instruction that replaces training.
    """

    code: ViewCode
    name: Text
    teeth: Annotated[tuple[Tooth, ...], Field(min_length=1, max_length=42)]
    region: Region
    technique: Technique
    receptor_size: ReceptorSize
    positioning: Text
    alternatives: tuple[ViewCode, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "mand-molars-l",
            "name": "left lower molars",
            "teeth": [309, 310, 311],
            "region": "mandibular_cheek_teeth",
            "technique": "parallel",
            "receptor_size": 2,
            "positioning": "Receptor between tongue and jaw; beam at a right angle to both.",
            "alternatives": [],
        },
    )


class Plan(Contract):
    """A list of views that together show what the plan sets out to show.

    ``views`` are asked for, in working order. ``substitutes`` are never asked for: they are
    views that some view accepts in its place. A weight range includes its minimum and excludes
    its maximum, in kg; an absent bound is no bound. ``on_request_only`` keeps a plan out of the
    choice by species and weight, so that only an order that names it gets it.
    """

    code: Name
    name: Text
    species: Species
    dentition: PlannedDentition
    scope: Scope
    weight_min_kg: Positive | None = None
    weight_max_kg: Positive | None = None
    on_request_only: bool = False
    source: Annotated[tuple[Source, ...], Field(min_length=1)]
    cautions: Annotated[tuple[Text, ...], Field(min_length=1)]
    views: Annotated[tuple[View, ...], Field(min_length=1, max_length=60)]
    substitutes: tuple[View, ...] = ()

    def view(self, code: str) -> View | None:
        """The view or substitute of this code, or None."""
        return next((v for v in (*self.views, *self.substitutes) if v.code == code), None)

    @property
    def teeth(self) -> frozenset[int]:
        """Every tooth that the plan's own views show."""
        return frozenset(tooth for view in self.views for tooth in view.teeth)

    @property
    def possible_teeth(self) -> frozenset[int]:
        """Every tooth that a view of this plan may name."""
        deciduous = self.dentition is PlannedDentition.DECIDUOUS
        return teeth_of(self.species, Dentition.DECIDUOUS if deciduous else Dentition.PERMANENT)

    def fits_weight(self, weight_kg: float) -> bool:
        """Whether an animal of this weight falls into the plan's range."""
        above = self.weight_min_kg is None or weight_kg >= self.weight_min_kg
        below = self.weight_max_kg is None or weight_kg < self.weight_max_kg
        return above and below

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "dog-left-lower-molars",
            "name": "dog, left lower molars",
            "species": "dog",
            "dentition": "permanent",
            "scope": "regional",
            "source": [{"citation": "An example of the form.", "basis": "invented"}],
            "cautions": ["Nobody holds the receptor or the animal during an exposure."],
            "views": [View.EXAMPLES[0]],
        },
    )
