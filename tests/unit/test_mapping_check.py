"""What `gomphosis check-mapping` finds, in both directions: pure."""

from __future__ import annotations

from typing import Any

from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_code import RecordCode, Table
from schemas.mappings.record_codes import RecordCodes
from schemas.teeth import Species
from services.records.mapping_check import (
    Finding,
    Kind,
    Weight,
    check_both_ways,
    check_posted,
    check_read,
    check_seen,
)
from services.records.own_codes import OwnCodes
from services.records.unmapped import Needed

_NEEDED = {
    Table.CHARGES: ["A", "B"],
    Table.STAFF: ["vet-1"],
    Table.SITES: ["north"],
    Table.DEPARTMENTS: ["north"],
    Table.SPECIES: ["dog"],
    Table.TEETH: ["108", "109"],
    Table.VIEWS: ["max-cheek-r"],
    Table.PLANS: ["dog-full-mouth"],
}
OWN = OwnCodes(
    needed=_NEEDED,
    known=_NEEDED | {Table.PLANS: ["dog-full-mouth", "dog-follow-up-108"]},
    rooms=["dental-1"],
)


def posted(**changes: Any) -> PostedCodes:
    return PostedCodes(**{"charges": {"A": "X", "B": "Y"}} | changes)


def read(**changes: Any) -> RecordCodes:
    told: dict[str, Any] = {
        "orders": {"O-1": "dog-full-mouth"},
        "species": {"CANINE": Species.DOG},
        "sexes": {},
        "rooms": {"R": "dental-1"},
    }
    return RecordCodes(**told | changes)


def told(findings: Any) -> list[tuple[Kind, str, str]]:
    found: list[Finding] = list(findings)
    return [(one.kind, one.table, one.code) for one in found]


def test_a_group_that_maps_all_that_it_tells_has_nothing_to_do() -> None:
    codes = posted(species={Species.DOG: RecordCode(code="CANINE")})

    assert told(check_posted(codes, OWN, {})) == []
    assert told(check_read(read(), OWN)) == []
    assert told(check_both_ways(codes, read(), OWN)) == []


def test_each_of_ours_without_a_code_is_named_where_its_table_is_told() -> None:
    codes = posted(charges={"A": "X"}, teeth={108: None}, views={"other": None})

    assert told(check_posted(codes, OWN, {})) == [
        (Kind.UNMAPPED, "charges", "B"),
        (Kind.UNMAPPED, "teeth", "109"),
        (Kind.UNMAPPED, "views", "max-cheek-r"),
        (Kind.NOTHING, "views", "other"),
    ]


def test_what_a_posting_waits_for_is_named_though_no_rule_has_it_any_more() -> None:
    (found,) = check_posted(posted(), OWN, {Needed(Table.CHARGES, "OLD"): 2})

    assert (found.kind, found.code, found.count) == (Kind.UNMAPPED, "OLD", 2)
    assert "2 postings wait for it" in found.words


def test_a_name_that_is_none_of_ours_is_told_with_the_nearest_that_is() -> None:
    codes = posted(plans={"dog-fullmouth": RecordCode(code="P")})

    unmapped, nothing = check_posted(codes, OWN, {})

    assert (unmapped.kind, unmapped.weight) == (Kind.UNMAPPED, Weight.WRONG)
    assert (nothing.kind, nothing.weight) == (Kind.NOTHING, Weight.LOOK)
    assert "was dog-full-mouth meant?" in nothing.words


def test_a_plan_for_single_orders_may_be_listed_and_need_not_be() -> None:
    codes = posted(plans={one: RecordCode(code=one) for one in OWN.known[Table.PLANS]})

    assert told(check_posted(codes, OWN, {})) == []


def test_two_of_ours_that_go_out_alike_are_found_though_one_goes_as_it_is() -> None:
    codes = posted(teeth_as_ours=True, teeth={108: RecordCode(code="109")})

    (found,) = check_posted(codes, OWN, {})

    assert (found.kind, found.table, found.weight) == (Kind.TWO_WAYS, "teeth", Weight.WRONG)
    assert "108 and 109 both go out as 109" in found.words


def test_a_code_that_goes_out_for_one_and_is_read_as_another_maps_two_ways() -> None:
    codes = posted(
        species={Species.DOG: RecordCode(code="feline", system="urn:x")},
        plans={"dog-full-mouth": RecordCode(code="THORAX")},
    )
    other = read(
        species={"FELINE": Species.CAT, "CANINE": Species.DOG}, orders_not_ours=("THORAX",)
    )

    species, plan = check_both_ways(codes, other, OWN)

    assert "goes out as feline, which is read as cat" in species.words
    assert "goes out as THORAX, which is read as not ours" in plan.words


def test_what_comes_in_and_means_nothing_here_is_wrong_and_what_nothing_means_is_told() -> None:
    other = read(orders={"O-1": "dog-ful-mouth"}, rooms={"R": "dental-9"}, species={})

    found = list(check_read(other, OWN))

    assert [(one.weight, one.kind, one.table, one.code) for one in found] == [
        (Weight.WRONG, Kind.NOTHING, "orders", "O-1"),
        (Weight.WRONG, Kind.NOTHING, "rooms", "R"),
        (Weight.LOOK, Kind.UNMAPPED, "orders", "dog-full-mouth"),
        (Weight.LOOK, Kind.UNMAPPED, "species", "dog"),
        (Weight.LOOK, Kind.UNMAPPED, "rooms", "dental-1"),
    ]
    assert "was dog-full-mouth meant?" in found[0].words


def test_codes_that_triage_has_seen_are_wrong_until_they_are_listed() -> None:
    seen = {("orders", "O-2"): 3, ("species", "canine, 12345"): 1}

    orders, species = check_seen(read(), seen)

    assert (orders.weight, orders.count) == (Weight.WRONG, 3)
    assert "was O-1 meant?" in orders.words
    assert species.weight is Weight.LOOK
    assert "listed now" in species.words
