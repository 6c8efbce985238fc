"""What of the group's own rules has no code in the record, and what maps two ways or to nothing.

Pure. ``WRONG`` will hold a posting or refuse an order; ``LOOK`` may be meant so.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum

from schemas.mappings.posted_codes import READ_BACK, PostedCodes
from schemas.mappings.record_code import Table
from schemas.mappings.record_codes import RecordCodes
from services.records.own_codes import OwnCodes
from services.records.unmapped import Needed


class Weight(StrEnum):
    WRONG = "wrong"
    LOOK = "look"


class Kind(StrEnum):
    """``SEEN``: a code that the record has sent and that could not be used."""

    UNMAPPED = "unmapped"
    TWO_WAYS = "two-ways"
    NOTHING = "nothing"
    SEEN = "seen"


class Direction(StrEnum):
    TO_RECORD = "to the record"
    FROM_RECORD = "from the record"


@dataclass(frozen=True, slots=True)
class Finding:
    """``code`` is ours for what goes to the record, and the record's for what comes from it.

    ``count``: the postings that wait for it now, or the messages that triage holds for it.
    """

    weight: Weight
    kind: Kind
    direction: Direction
    table: str
    code: str
    words: str
    count: int = 0


def check_posted(
    codes: PostedCodes, own: OwnCodes, waiting: Mapping[Needed, int]
) -> Iterator[Finding]:
    """Look through what goes to the record; ``waiting`` counts postings by what they wait for."""
    for table in Table:
        needed = set(own.needed[table])
        lacking = {name.partition(".")[2] for name in codes.lacking(table, needed)}
        waited = {one.ours: count for one, count in waiting.items() if one.table is table}
        for code in sorted(lacking | set(waited)):
            count = waited.get(code, 0)
            words = "the record has no code for it"
            if count:
                words += f"; {count} {'posting waits' if count == 1 else 'postings wait'} for it"
            yield Finding(
                Weight.WRONG, Kind.UNMAPPED, Direction.TO_RECORD, table.value, code, words, count
            )
        for code in codes.listed(table):
            if code not in own.known[table]:
                words = "nothing of the group's rules is called so"
                words += meant(code, lacking or own.known[table])
                yield Finding(
                    Weight.LOOK, Kind.NOTHING, Direction.TO_RECORD, table.value, code, words
                )
        if table in READ_BACK:
            yield from _two_meanings(codes, table, {*needed, *codes.listed(table)})


def _two_meanings(codes: PostedCodes, table: Table, own: Collection[str]) -> Iterator[Finding]:
    """A code that would be read back two ways, by what goes out as ours too."""
    first: dict[tuple[str | None, str], str] = {}
    for ours in sorted(own):
        its = codes.coded(table, ours)
        if its is None:
            continue
        other = first.setdefault((its.system, its.code), ours)
        if other != ours:
            words = f"{other} and {ours} both go out as {its.code}"
            yield Finding(
                Weight.WRONG, Kind.TWO_WAYS, Direction.TO_RECORD, table.value, ours, words
            )


def check_read(codes: RecordCodes, own: OwnCodes) -> Iterator[Finding]:
    """Look through what comes from the record: order codes, species and rooms."""
    plans, rooms = own.known[Table.PLANS], own.rooms
    for table, told, names in (("orders", codes.orders, plans), ("rooms", codes.rooms, rooms)):
        for code, ours in told.items():
            if ours not in names:
                words = f"it means {ours}, and there is none of that name{meant(ours, names)}"
                yield _read(Weight.WRONG, Kind.NOTHING, table, code, words)
    for table, told, names in (
        ("orders", codes.orders, own.needed[Table.PLANS]),
        (
            "species",
            {code: one.value for code, one in codes.species.items()},
            own.needed[Table.SPECIES],
        ),
        ("rooms", codes.rooms, [] if codes.room_when_none_told else rooms),
    ):
        for ours in sorted(set(names) - set(told.values())):
            words = f"no code of the record means {ours}"
            yield _read(Weight.LOOK, Kind.UNMAPPED, table, ours, words)


def check_both_ways(posted: PostedCodes, read: RecordCodes, own: OwnCodes) -> Iterator[Finding]:
    """A code that goes out for one of ours and is read as another, or as not ours."""
    species = {word.casefold(): one.value for word, one in read.species.items()}
    foreign = {word.casefold() for word in read.species_not_ours}
    for table, words_in, not_ours in (
        (Table.SPECIES, species, foreign),
        (Table.PLANS, dict[str, str](read.orders), set(read.orders_not_ours)),
    ):
        for ours in sorted({*own.needed[table], *posted.listed(table)}):
            its = posted.coded(table, ours)
            if its is None:
                continue
            for told in (its.code, f"{its.system}|{its.code}"):
                word = told.casefold() if table is Table.SPECIES else told
                meaning = "not ours" if word in not_ours else words_in.get(word, ours)
                if meaning != ours:
                    words = f"goes out as {told}, which is read as {meaning}"
                    yield Finding(
                        Weight.WRONG, Kind.TWO_WAYS, Direction.TO_RECORD, table.value, ours, words
                    )


def check_seen(codes: RecordCodes, seen: Mapping[tuple[str, str], int]) -> Iterator[Finding]:
    """Codes that triage holds messages for, by table of ``record_codes.yaml`` and code."""
    for (table, code), count in sorted(seen.items()):
        told: Mapping[str, object] = getattr(codes, table, {})
        known = {word.casefold() for word in told} | {
            word.casefold() for word in getattr(codes, f"{table}_not_ours", ())
        }
        asked = f"{count} {'message waits' if count == 1 else 'messages wait'} in triage"
        if any(part.casefold() in known for part in code.split(", ")):
            words = f"it is listed now; {asked}: have them sent again, and restart intake before"
            yield _read(Weight.LOOK, Kind.SEEN, table, code, words, count)
        else:
            words = f"the record sends it and it is not listed; {asked}{meant(code, list(told))}"
            yield _read(Weight.WRONG, Kind.SEEN, table, code, words, count)


def _read(weight: Weight, kind: Kind, table: str, code: str, words: str, count: int = 0) -> Finding:
    return Finding(weight, kind, Direction.FROM_RECORD, table, code, words, count)


def meant(name: str, known: Collection[str]) -> str:
    """Suggest the nearest name, where one is near."""
    near = get_close_matches(name, sorted(known), n=1)
    return f"; was {near[0]} meant?" if near else ""
