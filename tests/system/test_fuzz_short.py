"""A short form of the fuzz campaign; ``make fuzz`` runs the whole of it."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from schemas.errors import InvalidInput
from tests.fuzz import campaign
from tests.fuzz.campaign import Options, TooSlow
from tests.fuzz.dicom_shape import elements, encoded
from tests.fuzz.dicom_targets import data_set_bytes, images, rich_image
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, refused
from tests.fuzz.targets import NAMES, find

IN_PROCESS_INPUTS, SOCKET_INPUTS = 125, 30
SLOW = {
    "commitment",
    "dicom-socket",
    "group-file",
    "http-facts",
    "http-fhir",
    "mapping-file",
    "mllp-socket",
    "record-codes-file",
}


def ready(feed: object) -> Ready:
    return Ready([b"seed"], lambda rng: rng.randbytes(20), feed)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.drill) if name in SLOW else name for name in NAMES],
)
def test_no_mutated_input_breaks_a_parser(name: str, tmp_path: Path) -> None:
    target = find(name)
    inputs = IN_PROCESS_INPUTS if target.in_process else SOCKET_INPUTS

    report = campaign.run(target, Options(inputs, seed=20260302, out=tmp_path))

    assert not report.missing
    assert [(one.key, one.detail) for one in report.failures] == []
    assert report.inputs == report.taken + report.refused == inputs
    assert report.taken > 0, "not even the seeds are taken: the campaign reaches nothing"
    assert report.refused > 0, "nothing is refused: the campaign changes nothing"


def test_the_same_seed_gives_the_same_input(tmp_path: Path) -> None:
    one = find("hl7").prepare(tmp_path)

    told = [campaign.input_of(one, "hl7", 7, index) for index in (50, 51, 50)]

    assert told[0] == told[2] != told[1]


def test_a_data_set_is_taken_apart_and_put_together_again() -> None:
    for whole in (*images()[0], data_set_bytes(rich_image())):
        assert encoded(elements(whole)) == whole


def test_a_failure_is_made_smaller_and_stays_the_same_failure() -> None:
    def feed(data: bytes) -> str:
        if b"bad" in data:
            raise KeyError("bad")
        return TAKEN

    with pytest.raises(KeyError) as failure:
        campaign.feed(ready(feed), b"x" * 100 + b"bad" + b"y" * 100, 5)
    key = campaign.key_of(failure.value)

    small = campaign.smaller(ready(feed), b"x" * 100 + b"bad" + b"y" * 100, key, 5, 60)

    assert small == b"bad"


def test_an_input_without_end_is_found() -> None:
    def feed(data: bytes) -> str:
        while True:
            try:
                random.random()
            except Exception:  # noqa: BLE001 - a parser may swallow all of these
                return REFUSED

    with pytest.raises(TooSlow):
        campaign.feed(ready(feed), b"", 0.05)


def test_a_refusal_that_says_nothing_is_a_failure() -> None:
    with pytest.raises(Broken, match="expected"):
        refused(InvalidInput("field", "value", " "))
