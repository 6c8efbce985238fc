"""A group's codes as a record writes them: what is read, what is refused, what is lacking."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydicom.sr.codedict import codes as dicom_codes
from pydicom.sr.coding import Code

from schemas.errors import InvalidInput
from schemas.mappings.posted_codes import OURS, PostedCodes, load_posted_codes
from schemas.mappings.record_code import RecordCode, Table


def read(tmp_path: Path, text: str) -> PostedCodes:
    path = tmp_path / "posted_codes.yaml"
    path.write_text(text, encoding="utf-8")
    return load_posted_codes(path)


def test_the_invented_example_explains_every_option_and_is_valid() -> None:
    example = load_posted_codes()

    assert example.model_fields_set == set(PostedCodes.model_fields)
    assert all(example.told(table) for table in Table)


def test_species_of_the_example_are_those_that_dicom_lists() -> None:
    # pydicom's dictionary of context group 7454, animal taxonomic rank values.
    listed = {
        "dog": dicom_codes.cid7454.CanisLupusFamiliaris,
        "cat": dicom_codes.cid7454.FelisCatus,
    }

    for species, known in listed.items():
        its = load_posted_codes().coded(Table.SPECIES, species)
        assert isinstance(known, Code)
        assert its is not None
        assert (its.code, its.display) == (known.value, known.meaning)


def test_a_word_is_a_code_of_its_tables_system_and_one_may_have_its_own(tmp_path: Path) -> None:
    codes = read(
        tmp_path,
        "tooth_system: urn:invented:teeth\n"
        "teeth: {108: INV-108, 105: null,\n"
        "        109: {code: X, display: Y, system: 'urn:invented:other'}}\n",
    )

    assert codes.coded(Table.TEETH, "108") == RecordCode(
        code="INV-108", system="urn:invented:teeth"
    )
    assert codes.coded(Table.TEETH, "109") == RecordCode(
        code="X", display="Y", system="urn:invented:other"
    )
    assert codes.coded(Table.TEETH, "105") is None
    assert not codes.lacks(Table.TEETH, "105"), "null says that nothing is told of it"
    assert codes.lacks(Table.TEETH, "110")


def test_a_table_that_lists_nothing_is_not_told_and_lacks_nothing(tmp_path: Path) -> None:
    codes = read(tmp_path, "charges_as_ours: true\n")

    for table in Table:
        assert not codes.lacks(table, "anything")
    assert not codes.told(Table.TEETH)
    assert OURS.coded(Table.CHARGES, "INV-A") == RecordCode(code="INV-A")


def test_teeth_go_out_by_our_numbers_where_the_record_counts_so(tmp_path: Path) -> None:
    codes = read(tmp_path, "teeth_as_ours: true\nteeth: {108: X}\n")

    assert [codes.coded(Table.TEETH, one) for one in ("108", "109")] == [
        RecordCode(code="X"),
        RecordCode(code="109"),
    ]


def test_the_records_codes_are_read_back_as_ours_unless_they_mean_several(tmp_path: Path) -> None:
    codes = read(tmp_path, "charges: {A: X}\nviews: {v-1: V, v-2: V, v-3: W}\n")

    assert codes.ours(Table.CHARGES, "X") == "A"
    assert codes.charge_of("Z") == "Z"
    assert codes.ours(Table.VIEWS, "W") == "v-3"
    assert codes.ours(Table.VIEWS, "V") is None


@pytest.mark.parametrize(
    ("text", "field", "expected"),
    [
        ("charges:\n  A: X\n  B: X\n", "charges", "got X for both A and B (line 1)"),
        ("\nspecies: {dog: S, cat: S}\n", "species", "for both dog and cat (line 2)"),
        ("teeth:\n  108: T\n  208: T\n", "teeth", "got T for both 108 and 208"),
        ("charges:\n  A: 12\n", "charges.A", "a code in quotes"),
        ("teeth:\n\n  108: 7\n", "teeth.108", "'7' (line 3)"),
        ("species:\n  horse: H\n", "species.horse.[key]", "'dog' or 'cat' (line 2)"),
        ("teeth:\n  90: T\n", "teeth.90.[key]", "(line 2)"),
        ("plans:\n  a:\n    cod: x\n", "plans.a.code", "(line 2)"),
        ("charges: {}\nvieuws: {}\n", "vieuws", "was views meant? (line 2)"),
        ("charges: {A: ' '}\n", "charges.A", "(line 1)"),
    ],
)
def test_a_wrong_file_is_refused_with_field_line_and_what_was_expected(
    tmp_path: Path, text: str, field: str, expected: str
) -> None:
    with pytest.raises(InvalidInput) as refusal:
        read(tmp_path, text)

    assert refusal.value.field == f"posted_codes.yaml: {field}"
    assert expected in refusal.value.expected
