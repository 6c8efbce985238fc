"""Reported exposures as facts: by which device, when, and a reason where there is none."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from schemas.errors import InvalidInput
from schemas.facts import ToldBy
from schemas.group import Site
from services.intake.document_header import DocumentHeader
from services.intake.dose_report_reader import read_dose_report
from services.intake.reported_exposures import find_generator, told_exposures
from tests.dose_reports import (
    USUAL,
    content,
    device_report,
    event,
    irradiating_device,
    number,
    observer_serial,
    text_report,
)
from tests.read_reports import header_of, site


def raw(item: Dataset, keyword: str, value: bytes) -> Dataset:
    """Give an attribute a value as it comes from the wire, which no writer would let pass."""
    tag = Tag(keyword)
    item[tag] = RawDataElement(tag, dictionary_VR(tag), len(value), value, 0, False, True)
    return item


def raw_number(name: str, value: bytes, unit: str | None) -> Dataset:
    item = number(name, "invented", 1, unit)
    raw(item.MeasuredValueSequence[0], "NumericValue", value)
    return item


CODES = ["113733", "113734", "113824", "113736", "113738", "122130", "113737"]
UNITS = [None, "kV", "mA", "ms", "Gy", "mGy", "Gy.m2", "mm", "s", "uA.s", "", "?"]
ANY_BYTES = st.one_of(
    st.sampled_from([b"", b"abc", b"1\\2", b"NaN", b"inf", b"-0", b"1e400", b"20260302102000"]),
    st.floats(allow_nan=False, allow_infinity=False).map(lambda x: f"{x:.6g}".encode()),
    st.binary(max_size=20),
)
ANY_ITEM = st.one_of(
    st.builds(raw_number, st.sampled_from(CODES), ANY_BYTES, st.sampled_from(UNITS)),
    st.builds(
        lambda value: raw(content("DATETIME", "111526", "DateTime Started"), "DateTime", value),
        ANY_BYTES,
    ),
    st.builds(lambda value: raw(content("UIDREF", "113769", "Event"), "UID", value), ANY_BYTES),
    st.builds(lambda value: raw(content("CODE", "113780", "Point"), "ValueType", value), ANY_BYTES),
)


def an_event(left_out: set[str], more: list[Dataset]) -> list[Dataset]:
    return [item for name, item in USUAL.items() if name not in left_out] + more


ANY_EVENT = st.builds(
    an_event, st.sets(st.sampled_from(sorted(USUAL)), max_size=3), st.lists(ANY_ITEM, max_size=6)
)


def header_or_refusal(report: Dataset) -> DocumentHeader | InvalidInput:
    try:
        return header_of(report)
    except InvalidInput as error:
        return error


@given(events=st.lists(ANY_EVENT, max_size=3))
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@pytest.mark.filterwarnings("ignore")
def test_whatever_an_event_holds_it_becomes_a_sound_fact_or_a_reason(
    events: list[list[Dataset]],
) -> None:
    # given
    containers = [
        content("CONTAINER", "113706", "Irradiation Event X-Ray Data", ContentSequence=items)
        for items in events
    ]
    report = device_report(*containers, text_report().ContentSequence[0])

    # when
    header = header_or_refusal(report)
    if isinstance(header, InvalidInput):
        assert "ValueType" in header.field
        return
    told, unusable = told_exposures(
        header, read_dose_report(header.content), site(), "station-1", "dental-1"
    )

    # then
    assert len(told) + len(unusable) == len(containers)
    for one in told:
        assert 0 < one.exposure.tube_kv <= 200
        assert 0 < one.exposure.exposure_ms <= 60_000
        assert one.exposure.natural_key(one.ended_at)


def told_by(*items: Dataset, at: Site | None = None, room: str | None = "dental-1") -> Any:
    header = header_of(device_report(*items))
    told, unusable = told_exposures(
        header, read_dose_report(header.content), at or site(), "station-1", room
    )
    assert unusable == []
    return told[0]


def test_a_fact_tells_who_told_it_when_it_ended_and_of_which_study() -> None:
    told = told_by(event(), observer_serial("INVENTED-0001"))

    assert told.exposure.told_by is ToldBy.DOSE_REPORT
    assert told.exposure.study_instance_uid == "2.25.1001"
    assert told.exposure.natural_key(told.ended_at) == "exposure:2.25.8001:dose_report"
    # the start is 10:20:00 in Vienna, an hour ahead of UTC in March, and the exposure took 120 ms
    assert told.ended_at == datetime(2026, 3, 2, 9, 20, 0, 120_000, tzinfo=UTC)
    assert told.source_clock == "20260302102000.000"
    assert told.exposure.reported_kerma_mgy == pytest.approx(1.6)


def test_an_event_with_its_own_offset_is_read_by_it() -> None:
    started = content("DATETIME", "111526", "DateTime Started", DateTime="20260302102000.000+0200")

    told = told_by(event(started=started))

    assert told.ended_at == datetime(2026, 3, 2, 8, 20, 0, 120_000, tzinfo=UTC)


TWO_GENERATORS = [
    {"name": f"generator-{n}", "kind": "generator", "room": "dental-1", "serial": f"INVENTED-{n}"}
    for n in (1, 2)
]


def test_the_irradiating_devices_serial_outranks_the_observers() -> None:
    at = site(devices=TWO_GENERATORS)

    told = told_by(
        event(device=irradiating_device("INVENTED-2")), observer_serial("INVENTED-1"), at=at
    )

    assert (told.exposure.generator, told.exposure.generator_serial) == (
        "generator-2",
        "INVENTED-2",
    )


def test_without_a_known_serial_the_rooms_only_generator_is_meant() -> None:
    told = told_by(event(), observer_serial("INVENTED-STATION"))

    assert (told.exposure.generator, told.exposure.generator_serial) == (
        "generator-1",
        "INVENTED-0001",
    )


def test_an_irradiating_serial_that_is_not_listed_stays_as_the_report_tells_it() -> None:
    told = told_by(event(device=irradiating_device("STRANGE-9")), observer_serial("INVENTED-0001"))
    alone = told_by(event(device=irradiating_device("STRANGE-9")))

    # A known recorder is no proof of who irradiated, but of the room's generator it is a sign.
    assert (told.exposure.generator, alone.exposure.generator) == ("generator-1", "generator-1")
    assert alone.exposure.generator_serial == "STRANGE-9"


def test_between_two_generators_the_station_stands_for_the_one_that_is_not_known() -> None:
    told = told_by(event(device=irradiating_device("STRANGE-9")), at=site(devices=TWO_GENERATORS))

    assert (told.exposure.generator, told.exposure.generator_serial) == ("station-1", "STRANGE-9")


def test_a_generator_known_by_serial_brings_its_own_room() -> None:
    found = find_generator(site(), "station-1", "dental-2", ["INVENTED-0001"], [])

    assert (found.name, found.room) == ("generator-1", "dental-1")


def test_an_exposure_without_any_room_is_a_reason_and_no_fact() -> None:
    header = header_of(device_report(event()))

    told, (reason,) = told_exposures(
        header, read_dose_report(header.content), site(devices=[]), "station-1", None
    )

    assert told == []
    assert reason.field == "1.1 room"
