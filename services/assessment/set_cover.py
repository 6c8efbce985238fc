"""The smallest choice of sets that together hold everything that is wanted, proven smallest."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

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
    """The most elements of which no two share a set; exact, by branch and bound.

    Of elements in the same sets one is enough, and one in fewer sets shuts out no more others.
    """
    one_each: dict[frozenset[Key], Element] = {}
    for element in sorted(held, key=repr):
        one_each.setdefault(held[element], element)
    minimal = [keys for keys in one_each if not any(other < keys for other in one_each)]
    candidates = sorted(minimal, key=lambda keys: (len(keys), repr(one_each[keys])))
    best: list[frozenset[Key]] = []

    def search(start: int, chosen: list[frozenset[Key]], used: frozenset[Key]) -> None:
        if len(chosen) > len(best):
            best[:] = chosen
        for place in range(start, len(candidates)):
            if len(chosen) + len(candidates) - place <= len(best):
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
    reachable = frozenset[Element]().union(*useful.values())
    order = {key: place for place, key in enumerate(useful)}
    best: list[tuple[int, ...]] = []

    def search(left: frozenset[Element], chosen: tuple[int, ...], keys: tuple[Key, ...]) -> None:
        places = tuple(sorted(chosen))
        if not left:
            if not best or (len(places), places) < (len(best[0]), best[0]):
                best[:] = [places]
            return
        largest = max((len(useful[key] & left) for key in keys), default=0)
        if largest == 0:
            return
        bound = len(chosen) + -(-len(left) // largest)
        if best and bound > len(best[0]):
            return
        # Some set must hold the element that the fewest sets hold: branch on those alone.
        holders = {element: [key for key in keys if element in useful[key]] for element in left}
        scarce = min(holders.values(), key=lambda held: (len(held), [order[k] for k in held]))
        remaining = keys
        for key in sorted(scarce, key=lambda k: (-len(useful[k] & left), order[k])):
            # A set that was tried is out for the later branches: no choice is seen twice.
            remaining = tuple(k for k in remaining if k != key)
            search(left - useful[key], (*chosen, order[key]), remaining)

    search(reachable, (), tuple(useful))
    keys = list(useful)
    return tuple(keys[place] for place in best[0]) if best else ()
