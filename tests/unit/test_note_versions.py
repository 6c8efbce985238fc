"""Told revisions of a note that say the same are one version of it as a document."""

from typing import Any

import pytest
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts

from schemas.note_layout import PARTS
from services.notes.note_sr_parts import ADDENDUM, SUMMARY, TITLE, heading_of, text_code
from services.notes.note_versions import Version, version_at


@pytest.mark.parametrize(
    ("written", "revision", "version"),
    [
        ({}, 1, Version(1, None)),
        ({1: "a"}, 1, Version(1, None)),
        ({1: "a", 2: "b"}, 2, Version(2, "2.25.1")),
        ({1: "a", 2: "b"}, 1, Version(1, None)),
        ({1: "a", 2: "b", 3: "b", 4: "b"}, 4, Version(2, "2.25.1")),
        ({1: "a", 2: "b", 3: "b", 4: "c"}, 4, Version(4, "2.25.3")),
        ({1: "a", 2: "b", 3: "a"}, 3, Version(3, "2.25.2")),
        ({1: "a"}, 2, Version(2, "2.25.1")),
    ],
)
def test_a_version_begins_where_something_else_was_said(
    written: dict[int, str], revision: int, version: Version
) -> None:
    reports = {at: f"2.25.{at}" for at in written}
    assert version_at(revision, written, reports) == version
    assert version_at(revision, written) == Version(version.revision), "kept before reports were"


def test_title_and_headings_are_of_the_groups_that_the_template_asks_for() -> None:
    known: Any = concepts

    def of_group(cid: int) -> set[tuple[str, str]]:
        return {
            (value, meaning)
            for scheme, names in cid_concepts[cid].items()
            if scheme == "LN"
            for name in names
            for value, (meaning, _) in known[scheme][name].items()
        }

    assert (TITLE.value, TITLE.meaning) in of_group(7000)
    headings = {heading_of(part.name) for part in PARTS} | {SUMMARY, ADDENDUM}
    assert {(one.value, one.meaning) for one in headings} <= of_group(7001)
    assert {one.scheme for one in headings | {TITLE}} == {"LN"}


def test_each_part_of_a_note_has_a_code_of_its_own_that_fits_its_attribute() -> None:
    codes = [text_code(part.name, part.title) for part in PARTS]

    assert len({one.value for one in codes}) == len(PARTS)
    assert all(
        len(one.value) <= 16 and one.meaning == part.title
        for one, part in zip(codes, PARTS, strict=True)
    )
