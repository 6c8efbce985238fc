"""People and rooms as data: marked positions of a site, and published values to estimate with.

What is estimated from them is no measurement, and nothing here clears a room or a person.
"""

from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Fraction, Name, Positive, Text
from schemas.rule_files import read_rules

Who = Literal["worker", "public"]
Basis = Literal["read", "memory"]
"""``read``: the source or its abstract was read; ``memory``: cited from memory."""


class MarkedPosition(Contract):
    """Where a person stands or stays during exposures, as the site has marked and measured it.

    ``distance_m`` is from the animal's head, which scatters; ``angle_degrees`` lies between the
    beam's direction and the way from the head to the person: 0 is in the beam behind the animal,
    180 behind the tube head. ``occupancy`` is the share of exposures during which somebody is
    there, ``transmission`` what a fixed shield lets through, as a qualified expert has told.
    """

    name: Name
    room: Name
    who: Who
    distance_m: Annotated[float, Field(gt=0, le=100)]
    angle_degrees: Annotated[float, Field(ge=0, le=180)]
    occupancy: Annotated[float, Field(gt=0, le=1)] = 1.0
    occupancy_basis: Text = "taken as always there"
    transmission: Fraction = 1.0
    transmission_basis: Text = "no shield"

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "operator",
            "room": "dental-1",
            "who": "worker",
            "distance_m": 2.0,
            "angle_degrees": 110.0,
        },
    )


class RoomProtection(Contract):
    """The marked positions of one site."""

    basis: Literal["invented", "site"]
    """``invented``: shows the form; ``site``: marked and answered for by the site."""
    note: Text
    positions: Annotated[tuple[MarkedPosition, ...], Field(max_length=100)] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "basis": "invented",
            "note": "Shows the form; nothing was measured.",
            "positions": [MarkedPosition.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        names = [(one.room, one.name) for one in self.positions]
        if len(set(names)) != len(names):
            raise ValueError("expected each position of a room to have a name of its own")
        return self


class PublishedDoseLimit(Contract):
    """A published limit on the dose of a person, in mSv a year; for some in any one hour too."""

    name: Name
    source: Text
    who: Who
    msv_per_year: Positive
    msv_in_any_hour: Positive | None = None
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "us-public",
            "source": "10 CFR 20.1301",
            "who": "public",
            "msv_per_year": 1.0,
            "msv_in_any_hour": 0.02,
            "basis": "read",
        },
    )


class ScatterValue(Contract):
    """A published amount of scatter at 1 m from the head.

    ``per`` names what it goes with: ``kap`` in nGy per mGy·cm², ``mas`` in nSv per mAs. Beyond
    ``most_kv`` the source says nothing.
    """

    name: Name
    source: Text
    per: Literal["kap", "mas"]
    value: Positive
    most_kv: Positive
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "holroyd-2018",
            "source": "Holroyd, J Radiol Prot 2018",
            "per": "kap",
            "value": 5.5,
            "most_kv": 70.0,
            "basis": "read",
        },
    )


class PositionRule(Contract):
    """Where a published text wants an unshielded operator to stand."""

    name: Name
    source: Text
    least_m: Positive
    least_degrees: Annotated[float, Field(ge=0, le=180)]
    most_degrees: Annotated[float, Field(ge=0, le=180)]
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "ncrp-145",
            "source": "NCRP Report 145",
            "least_m": 2.0,
            "least_degrees": 90.0,
            "most_degrees": 135.0,
            "basis": "memory",
        },
    )


class PublishedProtection(Contract):
    """Published limits, amounts of scatter and rules on positions, each with its source."""

    note: Text
    limits: tuple[PublishedDoseLimit, ...]
    scatter: tuple[ScatterValue, ...]
    positions: tuple[PositionRule, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "note": "An estimate, not a dosimeter; a qualified expert decides.",
            "limits": [PublishedDoseLimit.EXAMPLES[0]],
            "scatter": [ScatterValue.EXAMPLES[0]],
            "positions": [PositionRule.EXAMPLES[0]],
        },
    )


def load_room_protection(path: Path) -> RoomProtection:
    """Read a site's marked positions. Raises ``InvalidInput`` where the file is wrong."""
    return read_rules(RoomProtection, path)


def load_published_protection() -> PublishedProtection:
    """Read the published values shipped here."""
    return read_rules(PublishedProtection, files(__name__) / "published.yaml")
