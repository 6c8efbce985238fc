"""What ``gomphosis purge`` may let go of."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from services.runtime.settings.section import Section

Years = Annotated[int, Field(ge=2, le=100)]


class RetentionSettings(Section):
    """After how many years ``gomphosis purge`` may let go of what; empty: never.

    ``facts_years``: facts of studies and what was assessed from them. ``images_years``: image
    files, which go only with the option ``--images`` too. ``console_years``: the pages' rows of
    single studies; sums stay. ``triage_years``: input that a person has settled. The law and your
    profession's rules say how long records, images and books have to be kept: ask first. Charges,
    notes, postings and audits are never let go of here.
    """

    facts_years: Years | None = None
    images_years: Years | None = None
    console_years: Years | None = None
    triage_years: Years | None = None

    @model_validator(mode="after")
    def _pages_outlast_facts(self) -> Self:
        # A page's row that went before its facts would come back and be counted twice.
        if self.console_years is not None and (
            self.facts_years is None or self.facts_years > self.console_years
        ):
            raise ValueError("console_years: expected facts_years too, and no more than these")
        return self
