"""Dose limits that a group sets, and published human dental levels to compare with."""

from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Name, Positive, Text
from schemas.rule_files import read_rules

_LEVELS_EXAMPLE: dict[str, Any] = {"notify": 3.0, "alert": 6.0}
_SCOPE_EXAMPLE: dict[str, Any] = {
    "kerma_mgy": _LEVELS_EXAMPLE,
    "kap_mgycm2": {"notify": 90.0, "alert": 180.0},
}


class Levels(Contract):
    """Two levels of one quantity: reaching ``notify`` tells people, reaching ``alert`` asks them.

    The unit is in the name of the field that holds the levels.
    """

    notify: Positive
    alert: Positive

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (_LEVELS_EXAMPLE,)

    @model_validator(mode="after")
    def _alert_is_not_below_notify(self) -> Self:
        if self.alert < self.notify:
            raise ValueError("alert must not be below notify")
        return self


class ScopeLimits(Contract):
    """The levels of one scope, such as one exposure. ``None``: the group sets none."""

    kerma_mgy: Levels | None
    """Incident air kerma in mGy."""
    kap_mgycm2: Levels | None
    """Kerma-area product in mGy·cm²."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (_SCOPE_EXAMPLE,)


class PeriodLimits(ScopeLimits):
    """The levels for all that one patient got in ``days`` days, the day of the study the last."""

    days: Annotated[int, Field(ge=1, le=3_660)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (_SCOPE_EXAMPLE | {"days": 365},)


class DoseLimits(Contract):
    """The levels of a hospital group. They are the group's own and no law."""

    name: Name
    basis: Literal["invented", "group"]
    """``invented``: our default, to be replaced; ``group``: set by the group."""
    note: Text
    per_exposure: ScopeLimits
    per_study: ScopeLimits
    per_patient_period: PeriodLimits | None = None
    """``None``: a patient's studies are not looked at together."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "default",
            "basis": "invented",
            "note": "Invented default; the group replaces it.",
            "per_exposure": _SCOPE_EXAMPLE,
            "per_study": {"kerma_mgy": {"notify": 40.0, "alert": 80.0}, "kap_mgycm2": None},
            "per_patient_period": {
                "days": 365,
                "kerma_mgy": {"notify": 120.0, "alert": 240.0},
                "kap_mgycm2": None,
            },
        },
    )


_REFERENCE_EXAMPLE: dict[str, Any] = {
    "name": "uk-2019-adult",
    "source": "UK, PHE-CRCE-59, 2019",
    "examination": "adult intraoral",
    "kind": "reference_level",
    "kerma_mgy": 1.2,
    "kap_mgycm2": None,
    "basis": "std",
}


class ReferenceLevel(Contract):
    """A published level for one human dental exposure. Never a limit for an animal."""

    name: Name
    source: Text
    examination: Text
    kind: Literal["reference_level", "achievable", "third_quartile"]
    kerma_mgy: Positive | None
    """Incident air kerma at the cone end, in mGy."""
    kap_mgycm2: Positive | None
    """Kerma-area product in mGy·cm²."""
    basis: Literal["read", "std"]
    """``read``: seen as an abstract or excerpt of the source; ``std``: cited from memory."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (_REFERENCE_EXAMPLE,)

    @model_validator(mode="after")
    def _holds_a_value(self) -> Self:
        if self.kerma_mgy is None and self.kap_mgycm2 is None:
            raise ValueError("a level needs kerma_mgy, kap_mgycm2 or both")
        return self

    def label(self) -> str:
        """Say what the level is, for a person; the words 'human dental' are always there."""
        values = []
        if self.kerma_mgy is not None:
            values.append(f"{self.kerma_mgy:g} mGy")
        if self.kap_mgycm2 is not None:
            values.append(f"{self.kap_mgycm2:g} mGy·cm²")
        memory = ", cited from memory" if self.basis == "std" else ""
        return (
            f"Human dental comparator, not an animal limit: {' and '.join(values)}, "
            f"{self.examination} ({self.kind.replace('_', ' ')}; {self.source}{memory})"
        )


class PublishedReferenceLevels(Contract):
    """Published human dental levels, each for one exposure."""

    population: Literal["human dental"]
    """The file cannot hold another population: no animal level was found."""
    note: Text
    levels: Annotated[tuple[ReferenceLevel, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "population": "human dental",
            "note": "Comparators, never animal limits.",
            "levels": [_REFERENCE_EXAMPLE],
        },
    )

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        names = [level.name for level in self.levels]
        if len(set(names)) != len(names):
            raise ValueError("each level needs a name of its own")
        return self


def load_dose_limits(path: Path | None = None) -> DoseLimits:
    """Read a group's limits; without ``path`` the invented default.

    Raises ``InvalidInput`` where the file breaks the contract.
    """
    return read_rules(DoseLimits, path or files(__name__) / "group_default.yaml")


def load_published_reference_levels(path: Path | None = None) -> PublishedReferenceLevels:
    """Read the published human dental levels; without ``path`` those shipped here.

    Raises ``InvalidInput`` where the file breaks the contract.
    """
    return read_rules(
        PublishedReferenceLevels, path or files(__name__) / "published_reference_levels.yaml"
    )
