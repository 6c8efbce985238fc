"""The content tree of a dose report: how deep, how large, and what is no item."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from services.intake.report_content import DEEPEST, read_content
from tests.dose_reports import content, device_report, event, text_report
from tests.read_reports import header_of, only, read


def nested(levels: int) -> Dataset:
    item = content("CONTAINER", "113706", "Irradiation Event X-Ray Data")
    for _ in range(levels - 1):
        outer = content("CONTAINER", "113706", "Irradiation Event X-Ray Data")
        outer.ContentSequence = [item]
        item = outer
    return item


def test_a_tree_as_deep_as_allowed_is_read_and_a_deeper_one_is_refused() -> None:
    assert read_content(device_report(nested(DEEPEST))).children

    with pytest.raises(InvalidInput, match=f"at most {DEEPEST} levels"):
        read_content(device_report(nested(DEEPEST + 1)))


def test_a_tree_of_too_many_items_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("services.intake.report_content.MOST_ITEMS", 20)

    assert read_content(device_report(event(), event(uid=None)))
    with pytest.raises(InvalidInput, match="at most 20 content items"):
        read_content(device_report(event(), event(), event()))


def test_an_item_that_points_elsewhere_is_not_followed() -> None:
    pointer = Dataset()
    pointer.RelationshipType = "INFERRED FROM"
    pointer.ReferencedContentItemIdentifier = [1, 1]
    looped = event(pointer=pointer)

    assert only(read(looped)).tube_kv == 65


def test_a_report_without_content_is_refused() -> None:
    with pytest.raises(InvalidInput) as refusal:
        header_of(text_report(ContentSequence=None))

    assert refusal.value.field == "ContentSequence (0040,A730)"


def test_an_item_of_an_unknown_type_is_refused_by_its_place() -> None:
    with pytest.raises(InvalidInput) as refusal:
        read_content(device_report(event(), content("SPELL", "121071", "Finding")))

    assert refusal.value.field == "1.2 ValueType (0040,A040)"


def test_a_long_text_stays_in_the_file() -> None:
    root = read_content(text_report("Invented words about Invented Owner. " * 5))

    assert [item.value for item in root.everything()] == [None, None]
