"""Which codes of ours a posting carries: the record's of them, and those it lacks. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_code import RecordCode, Table
from schemas.teeth import Species
from services.records.port import ChargePosting, CorrectionPosting, NotePosting

Posting = ChargePosting | CorrectionPosting | NotePosting


@dataclass(frozen=True, slots=True, order=True)
class Needed:
    """One code of ours in a posting."""

    table: Table
    ours: str


def needed_by(posting: Posting) -> tuple[Needed, ...]:
    """Name every code of ours that a posting carries, each once.

    The code of a correction may be one that a person entered in the record, so it needs none.
    """
    return tuple(dict.fromkeys(_needed_by(posting)))


def _needed_by(posting: Posting) -> Iterator[Needed]:
    yield Needed(Table.SITES, posting.site)
    yield Needed(Table.DEPARTMENTS, posting.site)
    if isinstance(posting, NotePosting):
        signers = (posting.note.signer, *(one.signer for one in posting.note.addenda))
        yield from _each(Table.STAFF, (name for name in signers if name is not None))
        if (shows := posting.note.shows) is not None:
            yield from _shown(shows.species, shows.plan, shows.views, shows.teeth)
    elif isinstance(posting, ChargePosting):
        yield Needed(Table.CHARGES, posting.entry.code)
        yield from _shown(posting.species, posting.plan, posting.views, posting.teeth)


def _shown(
    species: Species | None, plan: str | None, views: Iterable[str], teeth: Iterable[int]
) -> Iterator[Needed]:
    yield from _each(Table.SPECIES, [species.value] if species else [])
    yield from _each(Table.PLANS, [plan] if plan else [])
    yield from _each(Table.VIEWS, views)
    yield from _each(Table.TEETH, map(str, teeth))


def _each(table: Table, codes: Iterable[str]) -> Iterator[Needed]:
    return (Needed(table, ours) for ours in codes)


def lacking(posting: Posting, codes: PostedCodes) -> tuple[Needed, ...]:
    """Name the codes that a posting has to wait for."""
    return tuple(one for one in needed_by(posting) if codes.lacks(one.table, one.ours))


def coded(posting: Posting, codes: PostedCodes) -> dict[Table, dict[str, RecordCode]]:
    """Give the record's code of each of ours in a posting; what it is told none of is left out."""
    found: dict[Table, dict[str, RecordCode]] = {}
    for one in needed_by(posting):
        its = codes.coded(one.table, one.ours)
        if its is not None:
            found.setdefault(one.table, {})[one.ours] = its
    return found
