"""A few words on each technique for the chairside, each with its source."""

from functools import cache
from importlib.resources import files
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Text
from schemas.plans import Technique
from schemas.plans.model import Basis
from schemas.rule_files import read_rules


class TechniqueReminder(Contract):
    """What to remember of a technique."""

    technique: Technique
    name: Text
    words: Text
    source: Text
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "technique": "parallel",
            "name": "Parallel",
            "words": "Receptor along the tooth, beam at a right angle to both.",
            "source": "common practice, no published source",
            "basis": "practice",
        },
    )


class Caution(Contract):
    """What holds for every view."""

    words: Text
    source: Text
    basis: Basis

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "words": "Nobody holds the receptor.",
            "source": "common practice, no published source",
            "basis": "practice",
        },
    )


class TechniqueReminders(Contract):
    """One reminder for each technique, and the cautions."""

    note: Text
    techniques: Annotated[tuple[TechniqueReminder, ...], Field(min_length=1)]
    cautions: tuple[Caution, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "note": "A reminder for trained staff, no instruction.",
            "techniques": [
                TechniqueReminder.EXAMPLES[0] | {"technique": technique.value}
                for technique in Technique
            ],
            "cautions": [Caution.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _has_each_technique_once(self) -> Self:
        if sorted(one.technique for one in self.techniques) != sorted(Technique):
            raise ValueError(f"expected each of {', '.join(Technique)} once")
        return self

    def of(self, technique: Technique) -> TechniqueReminder:
        return next(one for one in self.techniques if one.technique is technique)


@cache
def load_technique_reminders() -> TechniqueReminders:
    """Read the reminders shipped here."""
    return read_rules(TechniqueReminders, files(__package__) / "reminders.yaml")
