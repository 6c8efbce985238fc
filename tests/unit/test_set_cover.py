"""The smallest cover, against every possible choice."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from services.assessment.set_cover import smallest_cover

SETS = st.dictionaries(st.integers(0, 9), st.frozensets(st.integers(0, 7), max_size=5), max_size=9)


def by_trying_all(wanted: frozenset[int], sets: dict[int, frozenset[int]]) -> tuple[int, ...]:
    """The first choice, by size and then by the order of the sets, that covers what can be."""
    reachable = wanted & frozenset[int]().union(*sets.values())
    useful = [key for key, held in sets.items() if held & wanted]
    for size in range(len(useful) + 1):
        for chosen in combinations(useful, size):
            if reachable <= frozenset[int]().union(*(sets[key] for key in chosen)):
                return chosen
    raise AssertionError("all sets together cover what can be covered")


@given(wanted=st.frozensets(st.integers(0, 7)), sets=SETS)
def test_no_smaller_choice_covers_and_ties_go_by_the_order_of_the_sets(
    wanted: frozenset[int], sets: dict[int, frozenset[int]]
) -> None:
    assert smallest_cover(wanted, sets) == by_trying_all(wanted, sets)


def test_the_greedy_choice_is_not_taken_where_it_is_larger() -> None:
    sets = {
        "largest": frozenset({1, 2, 3, 4}),
        "odd": frozenset({1, 3, 5}),
        "even": frozenset({2, 4, 6}),
    }
    assert smallest_cover(frozenset(range(1, 7)), sets) == ("odd", "even")


def test_nothing_wanted_needs_nothing() -> None:
    assert smallest_cover(frozenset(), {"a": frozenset({1})}) == ()


def test_what_no_set_holds_is_left_out() -> None:
    assert smallest_cover(frozenset({1, 9}), {"a": frozenset({1})}) == ("a",)
