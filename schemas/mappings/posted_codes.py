"""Our codes and names in the patient record's terms, for what we post. Data that a group owns.

A code that is not listed is never guessed at: the posting waits, and a person is told.
"""

from collections.abc import Iterable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, ClassVar, Final

from pydantic import Field, field_validator

from schemas.base import Contract, Name, Text, Tooth
from schemas.conclusions.charges import ChargeCode
from schemas.mappings.closed_period import ClosedPeriod
from schemas.mappings.record_code import Coded, CodeWord, RecordCode, System, Table
from schemas.mappings.record_codes import Word
from schemas.plans.model import ViewCode
from schemas.rule_files import read_rules
from schemas.teeth import Species

__all__ = ["OURS", "READ_BACK", "NoteCode", "PostedCodes", "load_posted_codes"]


class NoteCode(Contract):
    """What kind of document a note is."""

    system: System
    code: Word
    display: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"system": "http://loinc.org", "code": "18748-4", "display": "Diagnostic imaging study"},
    )


READ_BACK: Final = (Table.CHARGES, Table.STAFF, Table.SITES, Table.SPECIES, Table.TEETH)
"""Tables in which no two of ours may share a code of the record's: it would be read two ways."""

_SYSTEMS: Final = {
    Table.CHARGES: "charge_system",
    Table.STAFF: "staff_system",
    Table.SITES: "site_system",
    Table.DEPARTMENTS: "department_system",
    Table.SPECIES: "species_system",
    Table.TEETH: "tooth_system",
    Table.VIEWS: "view_system",
    Table.PLANS: "plan_system",
}


class PostedCodes(Contract):
    """All that has to be translated from us to a record.

    ``charges``: the tariff's codes; with ``charges_as_ours`` one that is not listed goes out as it
    is, because the record uses the tariff's own codes. ``staff``: who signs, as the record names
    them; ``sites``: the record's organisation of each site, ``departments`` its department there.
    ``species``, ``teeth`` (modified Triadan; ``teeth_as_ours``: the record counts so too),
    ``views`` and ``plans`` go out beside our own codes. The ``…_system`` are the record's.

    A table that lists nothing is not told to the record. One that lists something must list all
    that is posted; null in it means that the record has no such code and is told nothing.
    """

    charge_system: System | None = None
    charges: dict[ChargeCode, CodeWord] = Field(default_factory=dict)
    charges_as_ours: bool = False
    staff_system: System | None = None
    staff: dict[Name, CodeWord] = Field(default_factory=dict)
    site_system: System | None = None
    sites: dict[Name, CodeWord] = Field(default_factory=dict)
    department_system: System | None = None
    departments: dict[Name, Coded] = Field(default_factory=dict)
    species_system: System | None = None
    species: dict[Species, Coded] = Field(default_factory=dict)
    tooth_system: System | None = None
    teeth: dict[Tooth, Coded] = Field(default_factory=dict)
    teeth_as_ours: bool = False
    view_system: System | None = None
    views: dict[ViewCode, Coded] = Field(default_factory=dict)
    plan_system: System | None = None
    plans: dict[Name, Coded] = Field(default_factory=dict)
    note_code: NoteCode = NoteCode(
        system="http://loinc.org", code="18748-4", display="Diagnostic imaging study"
    )
    """LOINC 18748-4 is in HL7's LOINC imaging document codes (C-CDA on FHIR 1.1.0, read)."""
    closed_period: ClosedPeriod | None = None
    """For a FHIR record alone; the other ways to post have a word of their own for it."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "charge_system": "https://record.invalid/charge-codes",
            "charges": {"INV-DOG-FIRST": "INV-8101"},
            "staff_system": "https://record.invalid/staff",
            "staff": {"vet-1": "INV-S-17"},
            "site_system": "https://record.invalid/sites",
            "sites": {"north": "INV-N"},
        },
        {
            "charges_as_ours": True,
            "departments": {"north": {"code": "INV-DENT", "display": "Dentistry (invented)"}},
            "species_system": "http://snomed.info/sct",
            "species": {"dog": "448771007"},
            "tooth_system": "https://record.invalid/teeth",
            "teeth": {"108": RecordCode.EXAMPLES[0], "105": None},
            "views": {"mand-molars-l": "INV-V-1"},
            "plans": {"dog-full-mouth": "INV-P-1"},
        },
    )

    @field_validator(*(table.value for table in READ_BACK))
    @classmethod
    def _each_meaning_once(cls, told: dict[Any, Any]) -> dict[Any, Any]:
        first: dict[object, object] = {}
        for ours, its in told.items():
            meant = its if isinstance(its, str) or its is None else (its.system, its.code)
            known = ours if meant is None else first.setdefault(meant, ours)
            if known != ours:
                word = its if isinstance(its, str) else its.code
                raise ValueError(
                    f"expected each of the record's once, got {word} for both {known} and {ours}"
                )
        return told

    def told(self, table: Table) -> bool:
        """Say whether the record is told anything of this table."""
        return table is Table.CHARGES or bool(self._listed(table)) or self._as_ours(table)

    def lacks(self, table: Table, ours: str) -> bool:
        """Say whether a posting with this code of ours has to wait: the table has to have it."""
        if not self.told(table) or self._as_ours(table):
            return False
        return ours not in self._listed(table)

    def coded(self, table: Table, ours: str) -> RecordCode | None:
        """Give the record's code of one of ours, with its system; None where it is told none."""
        its = self._listed(table).get(ours)
        if its is None:
            if ours in self._listed(table) or not self._as_ours(table):
                return None
            its = RecordCode(code=ours)
        return its.model_copy(update={"system": its.system or getattr(self, _SYSTEMS[table])})

    def listed(self, table: Table) -> tuple[str, ...]:
        """Give our codes that the file lists, in its order."""
        return tuple(self._listed(table))

    def charge(self, code: str) -> str | None:
        """Give the record's code of one of ours; None where it has none."""
        return self.charges.get(code) or (code if self.charges_as_ours else None)

    def charge_of(self, record_code: str) -> str:
        """Give our code of one of the record's, or the record's as it is."""
        return self.ours(Table.CHARGES, record_code) or record_code

    def site_of(self, organisation: str) -> str | None:
        """Give the site that an organisation of the record is."""
        return self.ours(Table.SITES, organisation)

    def ours(self, table: Table, record_code: str) -> str | None:
        """Give our code of one of the record's; None where none is listed, or several are."""
        listed = self._listed(table).items()
        found = [ours for ours, its in listed if its is not None and its.code == record_code]
        return found[0] if len(found) == 1 else None

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterator[str]:
        """Name what the record has no code for, as ``field.name``, in order.

        A group that lists no staff posts their short names, which the record takes as text. With
        one site none need be listed: every line of the record is that site's.
        """
        yield from self.lacking(Table.CHARGES, charges)
        yield from self.lacking(Table.STAFF, signers)
        yield from self.lacking(Table.SITES, sites)

    def lacking(self, table: Table, own: Iterable[str]) -> Iterator[str]:
        """Name those of our codes that a table of the file does not have, as ``field.name``."""
        names = sorted(set(own))
        if table is Table.SITES and not self.sites and len(names) > 1:
            # Lines of the record that are not ours can be told apart by its organisation alone.
            yield from (f"{table}.{name}" for name in names)
            return
        yield from (f"{table}.{name}" for name in names if self.lacks(table, name))

    def _as_ours(self, table: Table) -> bool:
        """Say whether the record takes those of our codes that are not listed."""
        return (table is Table.CHARGES and self.charges_as_ours) or (
            table is Table.TEETH and self.teeth_as_ours
        )

    def _listed(self, table: Table) -> dict[str, RecordCode | None]:
        told: dict[Any, Any] = getattr(self, table.value)
        return {
            str(ours): RecordCode(code=its) if isinstance(its, str) else its
            for ours, its in told.items()
        }


OURS = PostedCodes(charges_as_ours=True)
"""Where a group has no file: the record takes the tariff's codes, and learns no names."""


def load_posted_codes(path: Path | None = None) -> PostedCodes:
    """Read a group's file; without ``path`` the invented example shipped here.

    Raises InvalidInput, naming the field and the line, where the file breaks the contract.
    """
    return read_rules(PostedCodes, path or files(__package__) / "posted_codes_invented.yaml")
