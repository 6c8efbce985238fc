"""The smallest choice of sets that together hold everything that is wanted, proven smallest."""

from collections.abc import Hashable, Mapping
from typing import TypeVar

Key = TypeVar("Key", bound=Hashable)
Element = TypeVar("Element", bound=Hashable)


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
