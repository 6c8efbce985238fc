"""Dose reports read into exposures: units, what is missing, what is hostile."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

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
from services.intake.document_header import DocumentHeader, read_document
from services.intake.dose_report_reader import (
    MAS_PER_UNIT,
    DoseReport,
    ReportedExposure,
    read_dose_report,
)
from services.intake.report_content import DEEPEST, read_content
from services.intake.reported_exposures import find_generator, told_exposures
from tests.dose_reports import (
    USUAL,
    code,
    coded,
    content,
    device_report,
    event,
    irradiating_device,
    number,
    observer_serial,
    text_report,
)

ZONE = ZoneInfo("Europe/Vienna")
RECEIVED = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


def read(*items: Dataset) -> DoseReport:
    return read_dose_report(read_content(device_report(*items)))


def only(report: DoseReport) -> ReportedExposure:
    assert report.unusable == ()
    (exposure,) = report.exposures
    return exposure


def header_of(report: Dataset) -> DocumentHeader:
    return read_document(report, ZONE, RECEIVED)


def site(**changes: Any) -> Site:
    generator = {"kind": "generator", "room": "dental-1", "serial": "INVENTED-0001"}
    devices = changes.pop("devices", [{"name": "generator-1", **generator}])
    told = Site.EXAMPLES[0] | {"rooms": ["dental-1", "dental-2"], "devices": devices} | changes
    return Site.model_validate(told, strict=False)


def test_an_event_is_read_in_our_units() -> None:
    exposure = only(read(event()))

    assert exposure.irradiation_event_uid == "2.25.8001"
    assert exposure.started == "20260302102000.000"
    assert (exposure.tube_kv, exposure.tube_current_ma, exposure.exposure_ms) == (65, 7, 120)
    assert exposure.kerma_mgy == pytest.approx(1.6)
    assert exposure.kap_mgycm2 == pytest.approx(45)
    assert exposure.source_to_skin_mm == 200
    assert exposure.notes == ()


# 1 Gy = 1e3 mGy = 1e6 µGy (SI prefixes); 1 Gy·m² = 1e5 dGy·cm² = 1e7 mGy·cm², since 1 m² = 1e4 cm².
@pytest.mark.parametrize(
    ("unit", "value", "kerma_mgy"),
    [("Gy", 0.0016, 1.6), ("mGy", 1.6, 1.6), ("uGy", 1600, 1.6), ("cGy", 0.16, 1.6)],
)
def test_kerma_is_read_by_its_unit(unit: str, value: float, kerma_mgy: float) -> None:
    exposure = only(read(event(kerma=number("113738", "Dose (RP)", value, unit))))

    assert exposure.kerma_mgy == pytest.approx(kerma_mgy)


@pytest.mark.parametrize(
    ("unit", "value", "kap_mgycm2"),
    [
        ("Gy.m2", 4.5e-6, 45),
        ("dGy.cm2", 0.45, 45),
        ("mGy.cm2", 45, 45),
        ("Gy.cm2", 0.045, 45),
        ("uGy.m2", 4.5, 45),
    ],
)
def test_kerma_area_product_is_read_by_its_unit(unit: str, value: float, kap_mgycm2: float) -> None:
    exposure = only(read(event(kap=number("122130", "Dose Area Product", value, unit))))

    assert exposure.kap_mgycm2 == pytest.approx(kap_mgycm2)


@pytest.mark.parametrize("unit", [None, "Gy", "furlong", ""])
def test_a_dose_whose_unit_is_missing_or_of_another_quantity_is_left_out(unit: str | None) -> None:
    report = read(event(kap=number("122130", "Dose Area Product", 45, unit)))

    assert only(report).kap_mgycm2 is None
    (odd,) = report.odd
    assert odd.field == "1.1.7 (122130, DCM, Dose Area Product)"
    assert "Gy.m2" in odd.expected


def test_a_dose_of_zero_says_nothing_of_an_exposure_that_was_made() -> None:
    report = read(event(kerma=number("113738", "Dose (RP)", 0, "Gy")))

    assert only(report).kerma_mgy is None
    assert [odd.field for odd in report.odd] == ["1.1.6 (113738, DCM, Dose (RP))"]


def test_kerma_at_another_point_than_the_skin_is_left_out() -> None:
    point = coded("113780", "Reference Point Definition", code("113965", "100cm from source"))
    report = read(event(point=point))

    assert only(report).kerma_mgy is None
    assert only(report).source_to_skin_mm is None
    assert "At Surface of Patient" in report.odd[0].expected


def test_kerma_without_a_coded_point_is_taken_and_that_is_said() -> None:
    exposure = only(read(event(point=None)))

    assert exposure.kerma_mgy == pytest.approx(1.6)
    assert exposure.notes == ("no coded reference point: kerma taken as at the skin",)


@settings(deadline=None)
@given(
    current=st.floats(min_value=0.1, max_value=20),
    time_ms=st.floats(min_value=10, max_value=3_000),
    unit=st.sampled_from(sorted(MAS_PER_UNIT)),
    missing=st.sampled_from(["time", "current"]),
)
def test_what_is_missing_of_current_and_time_follows_from_the_charge(
    current: float, time_ms: float, unit: str, missing: str
) -> None:
    # given: mA times ms are µA·s, so a thousandth of it are mA·s
    charge = current * time_ms / 1e3 / MAS_PER_UNIT[unit]
    items: dict[str, Dataset | None] = {
        "current": number("113734", "X-Ray Tube Current", f"{current:.10g}", "mA"),
        "time": number("113824", "Exposure Time", f"{time_ms:.10g}", "ms"),
        "charge": number("113736", "Exposure", f"{charge:.10g}", unit),
    }
    items[missing] = None

    # when
    exposure = only(read(event(**items)))

    # then
    assert exposure.tube_current_ma == pytest.approx(current, rel=1e-8)
    assert exposure.exposure_ms == pytest.approx(time_ms, rel=1e-8)
    assert "derived" in exposure.notes[0]
    assert exposure.exposure_mas is None  # it bears no witness to what follows from it


def test_a_charge_told_beside_current_and_time_is_kept_as_their_witness() -> None:
    charge = number("113736", "Exposure", "840", "uA.s")
    assert only(read(event(charge=charge))).exposure_mas == pytest.approx(0.84)


@pytest.mark.parametrize(
    ("item", "place"),
    [
        ("kvp", "1.1 (113733, DCM, KVP)"),
        ("current", "1.1 (113734, DCM, X-Ray Tube Current)"),
        ("time", "1.1 (113824, DCM, Exposure Time)"),
        ("started", "1.1 (111526, DCM, DateTime Started)"),
    ],
)
def test_an_event_that_lacks_what_an_exposure_needs_names_it(item: str, place: str) -> None:
    report = read(event(**{item: None}))

    assert report.exposures == ()
    (lacking,) = report.unusable
    assert (lacking.field, lacking.value) == (place, "None")


@pytest.mark.parametrize(
    ("value", "unit"),
    [(0, "kV"), (-65, "kV"), (65, None), (65, "mV"), (6500, "kV"), ("1e308", "kV")],
)
def test_a_tube_voltage_that_cannot_be_names_its_own_item(
    value: float | str, unit: str | None
) -> None:
    report = read(event(kvp=number("113733", "KVP", value, unit)))

    assert report.exposures == ()
    assert report.unusable[0].field == "1.1.3 (113733, DCM, KVP)"


def test_one_bad_event_does_not_stop_the_others() -> None:
    other = content("UIDREF", "113769", "Irradiation Event UID", UID="2.25.8002")

    report = read(event(kvp=None), event(uid=other))

    assert [one.irradiation_event_uid for one in report.exposures] == ["2.25.8002"]
    assert len(report.unusable) == 1


def test_a_measurement_without_a_value_counts_as_not_told() -> None:
    empty = content("NUM", "113738", "Dose (RP)", MeasuredValueSequence=[])

    report = read(event(kerma=empty))

    assert only(report).kerma_mgy is None
    assert report.odd == ()


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
