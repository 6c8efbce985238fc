"""Images of two patients that alternate on a station: who is asked, about what, and how much."""

from datetime import timedelta

import pytest

from services.assessment.suspicions import (
    ONE_SITTING,
    RoomImage,
    interleaved_question,
    interleaved_studies,
)
from tests.assessed import START


def images(patients: str, *, apart: timedelta = timedelta(seconds=30)) -> list[RoomImage]:
    """One image for each letter, of the patient and study of that name."""
    return [
        RoomImage(f"image:{n:03}", START + n * apart, "station-1", f"study-{one}", one)
        for n, one in enumerate(patients)
    ]


@pytest.mark.parametrize(
    ("patients", "studies"),
    [
        ("AAABBB", ""),  # one after the other
        ("AABAA", "AB"),
        ("ABAB", "AB"),
        ("ABCAB", "ABC"),
        ("AABBCC", ""),
        ("", ""),
    ],
)
def test_studies_are_asked_about_where_a_patient_comes_back(patients: str, studies: str) -> None:
    found = interleaved_studies(images(patients))

    assert found == {f"study-{one}" for one in studies}


def test_after_a_rest_longer_than_a_sitting_a_patient_may_come_back() -> None:
    at_once = images("ABA", apart=ONE_SITTING)
    later = images("ABA", apart=ONE_SITTING + timedelta(seconds=1))

    assert interleaved_studies(at_once) == {"study-A", "study-B"}
    assert interleaved_studies(later) == frozenset()


def test_no_more_than_twenty_images_are_named() -> None:
    (asked,) = interleaved_question("study-A", images("AB" * 15))

    assert asked.about == tuple(f"image:{n:03}" for n in range(20))
    (few,) = interleaved_question("study-A", images("AABAA"))
    assert few.about == ("image:001", "image:002", "image:003")
