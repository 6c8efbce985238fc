"""Dose reports read into exposures: units, and what is missing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from services.intake.dose_report_reader import MAS_PER_UNIT
from tests.dose_reports import code, coded, content, event, number
from tests.read_reports import only, read


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
