"""The modified Triadan system: which teeth exist, where they stand, what they are called."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.teeth import (
    TRIADAN_SCHEME,
    Arch,
    Dentition,
    Side,
    Species,
    ToothError,
    ToothKind,
    arch,
    dentition_of,
    jaw_code,
    kind,
    position,
    quadrant,
    region_code,
    region_modifier_code,
    side,
    species_code,
    species_from_code,
    teeth_of,
    tooth_from_code,
    tooth_name,
    triadan_code,
)

EVERY_MOUTH = [(species, dentition) for species in Species for dentition in Dentition]
EVERY_TOOTH = sorted(set().union(*(teeth_of(*mouth) for mouth in EVERY_MOUTH)))
teeth = st.sampled_from(EVERY_TOOTH)


@given(teeth)
def test_quadrant_and_position_give_the_tooth_back(tooth: int) -> None:
    assert quadrant(tooth) * 100 + position(tooth) == tooth


@pytest.mark.parametrize(("species", "dentition"), EVERY_MOUTH)
def test_a_mouth_is_the_same_on_both_sides(species: Species, dentition: Dentition) -> None:
    mouth = teeth_of(species, dentition)

    places = {
        (arch_, side_): {position(t) for t in mouth if (arch(t), side(t)) == (arch_, side_)}
        for arch_ in Arch
        for side_ in Side
    }

    for arch_ in Arch:
        assert places[arch_, Side.RIGHT] == places[arch_, Side.LEFT] != set()


@pytest.mark.parametrize(("species", "dentition"), EVERY_MOUTH)
def test_every_tooth_of_a_mouth_is_of_its_dentition(species: Species, dentition: Dentition) -> None:
    assert {dentition_of(tooth) for tooth in teeth_of(species, dentition)} == {dentition}


@pytest.mark.parametrize(
    ("tooth", "where"),
    [
        (101, (Arch.MAXILLA, Side.RIGHT)),
        (204, (Arch.MAXILLA, Side.LEFT)),
        (309, (Arch.MANDIBLE, Side.LEFT)),
        (411, (Arch.MANDIBLE, Side.RIGHT)),
        (508, (Arch.MAXILLA, Side.RIGHT)),
        (604, (Arch.MAXILLA, Side.LEFT)),
        (707, (Arch.MANDIBLE, Side.LEFT)),
        (801, (Arch.MANDIBLE, Side.RIGHT)),
    ],
)
def test_the_quadrant_says_jaw_and_side(tooth: int, where: tuple[Arch, Side]) -> None:
    assert (arch(tooth), side(tooth)) == where


@pytest.mark.parametrize(
    ("tooth", "name"),
    [
        (101, "right maxillary first incisor"),
        (203, "left maxillary third incisor"),
        (104, "right maxillary canine"),
        (305, "left mandibular first premolar"),
        (108, "right maxillary fourth premolar"),
        (307, "left mandibular third premolar"),
        (409, "right mandibular first molar"),
        (411, "right mandibular third molar"),
        (504, "right maxillary deciduous canine"),
        (608, "left maxillary deciduous fourth premolar"),
        (701, "left mandibular deciduous first incisor"),
        (807, "right mandibular deciduous third premolar"),
    ],
)
def test_a_tooth_has_a_plain_name(tooth: int, name: str) -> None:
    assert tooth_name(tooth) == name


def test_no_two_teeth_share_a_name() -> None:
    assert len({tooth_name(tooth) for tooth in EVERY_TOOTH}) == len(EVERY_TOOTH)


# A full mouth, as the pig has it: neither dog nor cat has all of these, but each is a tooth.
FULL_MOUTH = {q * 100 + p for q in range(1, 5) for p in range(1, 12)} | {
    q * 100 + p for q in range(5, 9) for p in range(1, 9)
}


@given(st.integers(min_value=-1000, max_value=2000))
def test_only_a_number_of_the_system_has_a_position(number: int) -> None:
    if number in FULL_MOUTH:
        assert position(number) == number % 100
        return

    with pytest.raises(ToothError) as caught:
        position(number)

    assert (caught.value.field, caught.value.value) == ("tooth", number)
    assert "quadrant 1 to 4" in caught.value.expected


@pytest.mark.parametrize("tooth", [0, 100, 112, 99, 412, 509, 809, 900, 901, -104])
@pytest.mark.parametrize("ask", [quadrant, position, arch, side, kind, tooth_name, region_code])
def test_every_question_about_no_tooth_is_refused(tooth: int, ask: object) -> None:
    assert callable(ask)
    with pytest.raises(ToothError, match=f"tooth {tooth} does not exist"):
        ask(tooth)


@given(teeth)
def test_a_tooth_survives_its_private_code(tooth: int) -> None:
    code = triadan_code(tooth)

    assert tooth_from_code(code.value, code.scheme) == tooth
    # DICOM limits: code value and scheme SH (16 characters), meaning LO (64); PS3.5 table 6.2-1.
    assert len(code.value) <= 16
    assert len(code.scheme) <= 16
    assert len(code.meaning) <= 64


def test_a_code_of_another_scheme_names_no_tooth() -> None:
    assert tooth_from_code("108", "SCT") is None


@pytest.mark.parametrize("value", ["", "8", "999", "1O8", " 108", "0108", "١٠٨", "-104"])
def test_a_wrong_value_under_our_scheme_is_refused(value: str) -> None:
    with pytest.raises(ToothError):
        tooth_from_code(value, TRIADAN_SCHEME)


@given(teeth)
def test_the_region_codes_agree_with_the_jaw_of_the_tooth(tooth: int) -> None:
    jaw_word = "Maxilla" if arch(tooth) is Arch.MAXILLA else "Mandib"

    assert jaw_code(tooth).meaning.startswith(jaw_word)
    assert region_code(tooth).meaning.startswith(jaw_word)
    assert ("incisor" in region_code(tooth).meaning) == (kind(tooth) is ToothKind.INCISOR)


@given(teeth)
def test_a_region_modifier_never_names_another_tooth(tooth: int) -> None:
    code = region_modifier_code(tooth)
    words = tooth_name(tooth).split()

    if code is None:
        assert position(tooth) in {2, 7, 8}
    elif kind(tooth) in {ToothKind.PREMOLAR, ToothKind.MOLAR}:
        assert code.meaning.lower() == f"{words[-2]} {words[-1]} region"
    else:
        assert words[-1] in code.meaning.lower()


@pytest.mark.parametrize("species", Species)
def test_a_species_survives_its_code(species: Species) -> None:
    code = species_code(species)

    assert species_from_code(code.value, code.scheme) is species


def test_the_older_species_codes_are_understood() -> None:
    assert species_from_code("69986009") is Species.DOG
    assert species_from_code("23826000", "SCT") is Species.CAT
    assert species_from_code("L-80A00", "SRT") is Species.CAT


def test_another_animal_or_scheme_is_no_known_species() -> None:
    horse = "35354009"

    assert species_from_code(horse) is None
    assert species_from_code("448771007", "99LOCAL") is None
