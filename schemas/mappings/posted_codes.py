"""Our codes and names in the patient record's terms, for what we post. Data that a group owns.

A code that is not listed is never guessed at: the posting goes to a person, in plain words.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Name, Text
from schemas.conclusions.charges import ChargeCode
from schemas.mappings.record_codes import Word
from schemas.rule_files import read_rules

System = Annotated[str, Field(min_length=1, max_length=255, pattern=r"^\S+$")]
"""The URI of a code or identifier system, as FHIR writes it."""


class NoteCode(Contract):
    """What kind of document a note is."""

    system: System
    code: Word
    display: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"system": "http://loinc.org", "code": "18748-4", "display": "Diagnostic imaging study"},
    )


class PostedCodes(Contract):
    """All that has to be translated from us to a record.

    ``charges``: the tariff's codes; with ``charges_as_ours`` one that is not listed goes out as it
    is, because the record uses the tariff's own codes. ``staff``: who signs, as the record names
    them; ``sites``: the record's organisation of each site. The ``…_system`` are the record's.
    """

    charge_system: System | None = None
    charges: dict[ChargeCode, Word] = Field(default_factory=dict)
    charges_as_ours: bool = False
    staff_system: System | None = None
    staff: dict[Name, Word] = Field(default_factory=dict)
    site_system: System | None = None
    sites: dict[Name, Word] = Field(default_factory=dict)
    note_code: NoteCode = NoteCode(
        system="http://loinc.org", code="18748-4", display="Diagnostic imaging study"
    )
    """LOINC 18748-4 is in HL7's LOINC imaging document codes (C-CDA on FHIR 1.1.0, read)."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "charge_system": "https://record.invalid/charge-codes",
            "charges": {"INV-DOG-FIRST": "INV-8101"},
            "staff_system": "https://record.invalid/staff",
            "staff": {"vet-1": "INV-S-17"},
            "site_system": "https://record.invalid/sites",
            "sites": {"north": "INV-N"},
        },
    )

    @model_validator(mode="after")
    def _each_meaning_once(self) -> Self:
        # What the record holds is read back by these, so two of ours may not share one of its.
        for field in ("charges", "staff", "sites"):
            told = list(getattr(self, field).values())
            twice = sorted({word for word in told if told.count(word) > 1})
            if twice:
                raise ValueError(f"{field}: expected each of the record's once, got {twice[0]}")
        return self

    def charge(self, code: str) -> str | None:
        """Give the record's code of one of ours; None where it has none."""
        return self.charges.get(code) or (code if self.charges_as_ours else None)

    def charge_of(self, record_code: str) -> str:
        """Give our code of one of the record's, or the record's as it is."""
        return next((ours for ours, its in self.charges.items() if its == record_code), record_code)

    def site_of(self, organisation: str) -> str | None:
        """Give the site that an organisation of the record is."""
        return next((ours for ours, its in self.sites.items() if its == organisation), None)

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterator[str]:
        """Name what the record has no code for, as ``field.name``, in order.

        A group that lists no staff posts their short names, which the record takes as text. With
        one site none need be listed: every line of the record is that site's.
        """
        yield from (f"charges.{code}" for code in sorted(set(charges)) if not self.charge(code))
        if self.staff:
            yield from (f"staff.{name}" for name in sorted(set(signers)) if name not in self.staff)
        all_sites = sorted(set(sites))
        if self.sites or len(all_sites) > 1:
            yield from (f"sites.{name}" for name in all_sites if name not in self.sites)


OURS = PostedCodes(charges_as_ours=True)
"""Where a group has no file: the record takes the tariff's codes, and learns no names."""


def load_posted_codes(path: Path) -> PostedCodes:
    """Read a group's file. Raises InvalidInput, naming the field, where it breaks the contract."""
    return read_rules(PostedCodes, path)
