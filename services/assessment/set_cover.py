"""The smallest choice of sets that together hold everything that is wanted, proven smallest."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

_MOST_STEPS = 20_000
"""Bounds the search for witnesses. With too few of them the proof is that of the cover's search."""

Key = TypeVar("Key", bound=Hashable)
Element = TypeVar("Element", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Cover(Generic[Key, Element]):
    """A smallest cover and why no smaller one can be.

    ``witnesses`` are elements of which no set holds two, so each needs a set of its own: there
    are never more of them than sets in a cover. Where there are as many, they alone prove it;
    where there are fewer, the proof is that the search tried every smaller choice.
    ``out_of_reach`` are wanted elements that no set holds.
    """

    keys: tuple[Key, ...]
    witnesses: frozenset[Element]
    out_of_reach: frozenset[Element]

    @property
    def proven_by_witnesses(self) -> bool:
        """Whether the witnesses alone show that no smaller choice can do."""
        return len(self.witnesses) == len(self.keys)


def prove_smallest(
    wanted: frozenset[Element], sets: Mapping[Key, frozenset[Element]]
) -> Cover[Key, Element]:
    """Choose as :func:`smallest_cover`, and give the largest set of witnesses with it."""
    keys = smallest_cover(wanted, sets)
    held = {element: _holders(element, sets) for element in wanted}
    reachable = {element: keys_ for element, keys_ in held.items() if keys_}
    return Cover(keys, _witnesses(reachable), wanted - frozenset(reachable))


def _holders(element: Element, sets: Mapping[Key, frozenset[Element]]) -> frozenset[Key]:
    return frozenset(key for key, members in sets.items() if element in members)


def _witnesses(held: Mapping[Element, frozenset[Key]]) -> frozenset[Element]:
    """The most elements of which no two share a set; exact within the steps that it may take.

    Of elements in the same sets one is enough, and one in fewer sets shuts out no more others.
    """
    one_each: dict[frozenset[Key], Element] = {}
    for element in sorted(held, key=repr):
        one_each.setdefault(held[element], element)
    minimal = [keys for keys in one_each if not any(other < keys for other in one_each)]
    candidates = sorted(minimal, key=lambda keys: (len(keys), repr(one_each[keys])))
    best: list[frozenset[Key]] = []
    steps = 0

    def search(start: int, chosen: list[frozenset[Key]], used: frozenset[Key]) -> None:
        nonlocal steps
        steps += 1
        if len(chosen) > len(best):
            best[:] = chosen
        for place in range(start, len(candidates)):
            if len(chosen) + len(candidates) - place <= len(best) or steps > _MOST_STEPS:
                return
            if not candidates[place] & used:
                search(place + 1, [*chosen, candidates[place]], used | candidates[place])

    search(0, [], frozenset())
    return frozenset(one_each[keys] for keys in best)


def smallest_cover(
    wanted: frozenset[Element], sets: Mapping[Key, frozenset[Element]]
) -> tuple[Key, ...]:
    """Choose as few sets as can hold every wanted element, in the order of ``sets``.

    Elements that no set holds are left out. Among choices of equal size the one whose sets come
    first in ``sets`` wins, so the answer depends on nothing else. Exact by branch and bound: the
    work grows exponentially in the worst case, which for the views of one mouth is no matter.
    """
    useful = {key: held & wanted for key, held in sets.items() if held & wanted}
    keys = list(useful)
    # Sets as bits: of each element the places of the sets that hold it.
    holders = [
        sum(1 << place for place, key in enumerate(keys) if element in useful[key])
        for element in sorted(frozenset[Element]().union(*useful.values()), key=repr)
    ]
    best: list[tuple[int, ...]] = []

    def search(left: list[int], chosen: tuple[int, ...]) -> None:
        """``left`` has of each element without a set the places that may still be chosen."""
        if not left:
            places = tuple(sorted(chosen))
            if not best or (len(places), places) < (len(best[0]), best[0]):
                best[:] = [places]
            return
        left.sort(key=int.bit_count)
        # Some set must hold the element that the fewest sets hold: branch on those alone.
        scarce = left[0]
        if not scarce or (best and len(chosen) + _apart(left) > len(best[0])):
            return
        tried = 0
        for place in sorted(_bits(scarce), key=lambda at: (-sum(h >> at & 1 for h in left), at)):
            # A set that was tried is out for the later branches: no choice is seen twice.
            tried |= 1 << place
            search([h & ~tried for h in left if not h >> place & 1], (*chosen, place))

    search(holders, ())
    return tuple(keys[place] for place in best[0]) if best else ()


def _apart(left: list[int]) -> int:
    """Count elements, taken one by one, that share no set: each needs a set of its own."""
    count = used = 0
    for holding in left:
        if not holding & used:
            used |= holding
            count += 1
    return count


def _bits(number: int) -> list[int]:
    return [place for place in range(number.bit_length()) if number >> place & 1]
