"""Teeth and codes against what others publish.

Sources, as read in excerpts of the pages named:

- Dental formulas: adult dog 2 x (I3/3 C1/1 P4/4 M2/3) = 42 and adult cat
  2 x (I3/3 C1/1 P3/2 M1/1) = 30, kitten 2 x (i3/3 c1/1 p3/2) = 26 (Bellows, *Feline Dentistry*,
  1.17.1, for the cat; teaching pages for the dog); puppy 2 x (i3/3 c1/1 p3/3) = 28, no deciduous
  molars and no deciduous first premolar (Australian Veterinary Association, node 98923).
- Numbers drawn in figure 15.9 of *Zoo Animal Learning and Training* (page 306) for dog and cat.
- Rule of 4 and 9, carnassials 108, 208, 309, 409, no 105 in the cat, and 304, 308, 409, 704 as
  worked examples (WikiVet, *Modified Triadan System*). The system itself: Floyd, J Vet Dent
  1991;8(4):18-19, doi 10.1177/089875649100800402, cited by those pages and not read.
- Codes: the tables of the DICOM standard as pydicom carries them.
"""

import pytest
from pydicom.sr._snomed_dict import mapping as snomed_mapping
from pydicom.sr.codedict import codes

from schemas.teeth import (
    TRIADAN_SCHEME,
    Arch,
    Code,
    Dentition,
    Side,
    Species,
    ToothKind,
    arch,
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
)

DOG, CAT = Species.DOG, Species.CAT
PERMANENT, DECIDUOUS = Dentition.PERMANENT, Dentition.DECIDUOUS
EVERY_MOUTH = [(species, dentition) for species in Species for dentition in Dentition]

# Upper and lower count of incisors, canines, premolars and molars on one side; then the total.
FORMULAS = {
    (DOG, PERMANENT): ((3, 1, 4, 2), (3, 1, 4, 3), 42),
    (DOG, DECIDUOUS): ((3, 1, 3, 0), (3, 1, 3, 0), 28),
    (CAT, PERMANENT): ((3, 1, 3, 1), (3, 1, 2, 1), 30),
    (CAT, DECIDUOUS): ((3, 1, 3, 0), (3, 1, 2, 0), 26),
}


@pytest.mark.parametrize(("species", "dentition"), EVERY_MOUTH)
def test_the_teeth_follow_the_dental_formula(species: Species, dentition: Dentition) -> None:
    upper, lower, total = FORMULAS[species, dentition]
    mouth = teeth_of(species, dentition)

    assert len(mouth) == total
    for jaw, counts in ((Arch.MAXILLA, upper), (Arch.MANDIBLE, lower)):
        for one_side in Side:
            there = [kind(t) for t in mouth if arch(t) is jaw and side(t) is one_side]
            assert tuple(there.count(which) for which in ToothKind) == counts


def test_the_adult_teeth_are_those_of_the_published_figure() -> None:
    # Given the numbers drawn for each half of the figure
    dog_upper_right = {101, 102, 103, 104, 105, 106, 107, 108, 109, 110}
    dog_lower_left = {301, 302, 303, 304, 305, 306, 307, 308, 309, 310, 311}
    cat_upper_right = {101, 102, 103, 104, 106, 107, 108, 109}
    cat_lower_left = {301, 302, 303, 304, 307, 308, 309}

    dog, cat = teeth_of(DOG, PERMANENT), teeth_of(CAT, PERMANENT)

    assert {t for t in dog if quadrant(t) == 1} == dog_upper_right
    assert {t for t in dog if quadrant(t) == 3} == dog_lower_left
    assert {t for t in cat if quadrant(t) == 1} == cat_upper_right
    assert {t for t in cat if quadrant(t) == 3} == cat_lower_left


@pytest.mark.parametrize(("species", "dentition"), EVERY_MOUTH)
def test_the_rule_of_4_and_9_holds(species: Species, dentition: Dentition) -> None:
    mouth = teeth_of(species, dentition)

    canines = {position(t) for t in mouth if kind(t) is ToothKind.CANINE}
    first_molars = {
        min(position(t) for t in mouth if quadrant(t) == q and kind(t) is ToothKind.MOLAR)
        for q in {quadrant(t) for t in mouth if kind(t) is ToothKind.MOLAR}
    }

    assert canines == {4}
    assert first_molars == ({9} if dentition is PERMANENT else set())


@pytest.mark.parametrize("species", Species)
def test_the_carnassials_are_last_upper_premolar_and_first_lower_molar(species: Species) -> None:
    mouth = teeth_of(species, PERMANENT)

    upper = {
        max(t for t in mouth if quadrant(t) == q and kind(t) is ToothKind.PREMOLAR) for q in (1, 2)
    }
    lower = {
        min(t for t in mouth if quadrant(t) == q and kind(t) is ToothKind.MOLAR) for q in (3, 4)
    }

    assert upper == {108, 208}
    assert lower == {309, 409}


def test_the_published_gaps_are_gaps() -> None:
    assert not teeth_of(CAT, PERMANENT) & {105, 205, 305, 306, 405, 406}
    assert not teeth_of(DOG, DECIDUOUS) & {505, 605, 705, 805}


def test_the_published_examples_lie_where_the_source_says() -> None:
    assert (arch(304), side(304), kind(304)) == (Arch.MANDIBLE, Side.LEFT, ToothKind.CANINE)
    assert (arch(704), side(704), kind(704)) == (Arch.MANDIBLE, Side.LEFT, ToothKind.CANINE)
    assert (arch(409), side(409), kind(409)) == (Arch.MANDIBLE, Side.RIGHT, ToothKind.MOLAR)
    assert (arch(308), side(308), kind(308)) == (Arch.MANDIBLE, Side.LEFT, ToothKind.PREMOLAR)


def in_group(cid: str, code: Code) -> bool:
    """Whether a DICOM code group holds the code with just this meaning."""
    group = getattr(codes, cid)
    concepts = (getattr(group, name) for name in group.dir())
    return any(
        (c.value, c.scheme_designator, c.meaning) == (code.value, code.scheme, code.meaning)
        for c in concepts
    )


EVERY_TOOTH = sorted(set().union(*(teeth_of(*mouth) for mouth in EVERY_MOUTH)))


@pytest.mark.parametrize(
    ("cid", "used"),
    [
        ("cid4016", {jaw_code(tooth) for tooth in EVERY_TOOTH}),
        ("cid7482", {region_code(tooth) for tooth in EVERY_TOOTH}),
        ("cid4017", {region_modifier_code(tooth) for tooth in EVERY_TOOTH} - {None}),
        ("cid7454", {species_code(species) for species in Species}),
    ],
)
def test_every_code_stands_in_its_dicom_code_group(cid: str, used: set[Code]) -> None:
    assert used
    for code in used:
        assert in_group(cid, code), code


def test_the_lookup_would_notice_a_wrong_code_or_meaning() -> None:
    right = species_code(DOG)

    assert not in_group("cid7454", right._replace(value="448771008"))
    assert not in_group("cid7454", right._replace(meaning="Dog"))
    assert not in_group("cid7482", right)


def test_the_older_concepts_mean_canine_and_feline_species() -> None:
    for concept, species in ((codes.SCT.CanineSpecies, DOG), (codes.SCT.FelineSpecies, CAT)):
        assert species_from_code(concept.value, concept.scheme_designator) is species


def test_the_older_form_of_each_species_code_is_understood_alike() -> None:
    for value in ("448771007", "69986009", "448169003", "23826000"):
        older = snomed_mapping["SCT"][value]

        assert species_from_code(older, "SRT") is species_from_code(value, "SCT") is not None


def test_our_private_scheme_is_none_of_the_standard_ones() -> None:
    # PS3.16 section 8.2 (from memory; a guide to the standard that says the same was read):
    # a private designator begins with 99, so it cannot meet a registered one.
    assert TRIADAN_SCHEME.startswith("99")
    assert TRIADAN_SCHEME not in codes.schemes()
