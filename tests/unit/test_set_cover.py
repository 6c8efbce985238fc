"""The smallest cover, against every possible choice."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from services.assessment.set_cover import prove_smallest, smallest_cover

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


@given(wanted=st.frozensets(st.integers(0, 7)), sets=SETS)
def test_no_set_holds_two_witnesses_so_no_fewer_sets_can_do(
    wanted: frozenset[int], sets: dict[int, frozenset[int]]
) -> None:
    cover = prove_smallest(wanted, sets)
    assert cover.keys == smallest_cover(wanted, sets)
    assert all(len(cover.witnesses & held) <= 1 for held in sets.values())
    assert cover.witnesses <= wanted - cover.out_of_reach
    assert len(cover.witnesses) <= len(cover.keys)
    if cover.keys:
        assert cover.witnesses


def test_witnesses_may_be_fewer_than_the_sets_that_are_needed() -> None:
    # Each two of three elements share a set: two sets are needed, and one witness is all there is.
    sets = {"ab": frozenset("ab"), "bc": frozenset("bc"), "ca": frozenset("ca")}
    cover = prove_smallest(frozenset("abc"), sets)
    assert len(cover.keys) == 2
    assert len(cover.witnesses) == 1
    assert not cover.proven_by_witnesses


def test_what_no_set_holds_is_named() -> None:
    cover = prove_smallest(frozenset({1, 9}), {"a": frozenset({1})})
    assert cover.out_of_reach == {9}
    assert cover.proven_by_witnesses
