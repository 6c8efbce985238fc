"""An image's header becomes our fields: units, clocks, teeth and views, and odd values left out."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from schemas.errors import InvalidInput
from schemas.teeth import Code
from services.intake.image_header import ImageHeader, StoredFile, read_header
from services.intake.worklist_item import coded
from tests.intake_support import make_image

VIENNA = ZoneInfo("Europe/Vienna")
RECEIVED_AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
FILE = StoredFile("dental-1", "station-1", "1.2.840.10008.1.2.1", "0" * 64, 100, "north/x.dcm")


def header_of(**changes: Any) -> ImageHeader:
    return read_header(make_image(**changes), VIENNA, RECEIVED_AT)


def field_of(name: str, **changes: Any) -> Any:
    return getattr(header_of(**changes).stored(FILE), name)


def dropped_of(**changes: Any) -> list[str]:
    return [error.field for error in header_of(**changes).dropped]


def code(value: str, scheme: str, meaning: str = "invented") -> Dataset:
    return coded(Code(value, scheme, meaning))


@pytest.mark.parametrize(
    ("field", "changes", "expected"),
    [
        ("tube_kv", {"KVP": "65.5"}, 65.5),
        ("exposure_ms", {"ExposureTime": "120"}, 120.0),
        ("exposure_ms", {"ExposureTimeInuS": "80500"}, 80.5),
        ("exposure_ms", {"ExposureTime": "81", "ExposureTimeInuS": "80500"}, 80.5),
        ("tube_current_ma", {"XRayTubeCurrent": "7"}, 7.0),
        ("tube_current_ma", {"XRayTubeCurrentInuA": "6500"}, 6.5),
        ("tube_current_ma", {"XRayTubeCurrent": "7", "XRayTubeCurrentInuA": "6500"}, 6.5),
        ("entrance_kerma_mgy", {"EntranceDoseInmGy": "2.11"}, 2.11),
        ("entrance_kerma_mgy", {"EntranceDose": 3}, 300.0),
        ("entrance_kerma_mgy", {"EntranceDose": 3, "EntranceDoseInmGy": "296"}, 296.0),
        ("kap_mgycm2", {"ImageAndFluoroscopyAreaDoseProduct": "0.594"}, 59.4),
        ("exposure_index", {"ExposureIndex": "410"}, 410.0),
        ("target_exposure_index", {"TargetExposureIndex": "400"}, 400.0),
        ("deviation_index", {"DeviationIndex": "-3.01"}, -3.01),
    ],
)
def test_each_value_is_told_in_the_unit_of_its_name(
    field: str, changes: dict[str, Any], expected: float
) -> None:
    assert field_of(field, **changes) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("keyword", "value", "field"),
    [
        ("EntranceDose", 0, "entrance_kerma_mgy"),
        ("ExposureTime", "0", "exposure_ms"),
        ("KVP", "-65", "tube_kv"),
        ("KVP", ["65", "70"], "tube_kv"),
        ("DeviationIndex", "Infinity", "deviation_index"),
        ("AccessionNumber", "A" * 65, "accession_number"),
        ("AccessionNumber", ["A1", "A2"], "accession_number"),
        ("ImageLaterality", "X", "laterality"),
        ("IrradiationEventUID", ["2.25.1", "2.25.2"], "irradiation_event_uid"),
        ("IrradiationEventUID", "not a uid", "irradiation_event_uid"),
    ],
)
def test_an_odd_optional_value_is_left_out_with_its_reason(
    keyword: str, value: Any, field: str
) -> None:
    # when
    header = header_of(**{keyword: value})

    # then
    assert getattr(header.stored(FILE), field) is None
    assert [error.field.split(" ")[0] for error in header.dropped] == [keyword]
    assert header.dropped[0].expected


def test_a_value_that_breaks_its_vr_on_the_wire_is_left_out() -> None:
    # given: a decimal comma, as it would be read from a file
    image = make_image(KVP=None)
    image._dict[Tag("KVP")] = RawDataElement(
        Tag("KVP"), "DS", 4, b"65,5", 0, False, True, is_raw=True
    )

    # when
    header = read_header(image, VIENNA, RECEIVED_AT)

    # then
    assert header.stored(FILE).tube_kv is None
    assert [error.field for error in header.dropped] == ["KVP (0018,0060)"]


@pytest.mark.parametrize(
    "keyword",
    ["PatientID", "StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "SOPClassUID"],
)
@pytest.mark.parametrize("value", ["", "  "])
def test_a_missing_required_value_refuses_the_image_and_is_named(keyword: str, value: str) -> None:
    image = make_image()
    setattr(image, keyword, value)

    with pytest.raises(InvalidInput, match=keyword):
        read_header(image, VIENNA, RECEIVED_AT)


def test_a_patient_id_that_is_too_long_refuses_the_image() -> None:
    with pytest.raises(InvalidInput, match="at most 64") as refusal:
        header_of(PatientID="P" * 65)

    assert refusal.value.field == "PatientID (0010,0020)"


@pytest.mark.parametrize(
    ("changes", "utc", "told"),
    [
        ({}, "2026-03-02T09:20:03+00:00", "20260302 102003"),
        (
            {"TimezoneOffsetFromUTC": "-0500"},
            "2026-03-02T15:20:03+00:00",
            "20260302 102003 -0500",
        ),
        (
            {"AcquisitionDateTime": "20260302102003.25+0200"},
            "2026-03-02T08:20:03.250000+00:00",
            "20260302102003.25+0200",
        ),
        (
            {"AcquisitionDate": "20260702", "AcquisitionTime": "102003.5"},
            "2026-07-02T08:20:03.500000+00:00",
            "20260702 102003.5",
        ),
        (
            {"AcquisitionTime": None, "ContentDate": "20260302", "ContentTime": "1021"},
            "2026-03-02T09:21:00+00:00",
            "20260302 1021",
        ),
        (
            {"AcquisitionDate": "2026.03.02", "AcquisitionTime": "10:20:03"},
            "2026-03-02T09:20:03+00:00",
            "2026.03.02 10:20:03",
        ),
    ],
)
def test_the_acquisition_time_is_utc_and_the_source_clock_stays_as_told(
    changes: dict[str, Any], utc: str, told: str
) -> None:
    header = header_of(**changes)

    assert header.stored(FILE).acquired_at == datetime.fromisoformat(utc)
    assert header.source_clock == told


@pytest.mark.parametrize(
    "changes",
    [
        {"AcquisitionDate": None, "AcquisitionTime": None},
        {"AcquisitionDate": "20261340"},
        {"AcquisitionTime": "noon"},
        {"AcquisitionDate": "00010101", "TimezoneOffsetFromUTC": "+1400"},
    ],
)
def test_without_a_time_that_can_be_read_the_time_of_receipt_stands_in(
    changes: dict[str, Any],
) -> None:
    header = header_of(**changes)

    assert header.acquired_at == RECEIVED_AT
    assert header.source_clock is None
    assert any("AcquisitionTime" in error.field for error in header.dropped)


def test_a_clock_reading_is_cut_to_what_a_fact_keeps() -> None:
    # given: an offset that is none, as long as a text may be
    odd = {"AcquisitionDate": "20260302", "TimezoneOffsetFromUTC": "*" * 64}

    assert header_of(**odd).source_clock == "20260302 102003 " + "*" * 48


def test_teeth_are_read_under_our_scheme_only() -> None:
    codes = [code("309", "99GMPH"), code("700", "ISO3950"), code("308", "99GMPH")]

    assert field_of("teeth", PrimaryAnatomicStructureSequence=codes) == (309, 308)


def test_a_tooth_that_does_not_exist_is_left_out_and_the_others_stay() -> None:
    changes = {"PrimaryAnatomicStructureSequence": [code("399", "99GMPH"), code("308", "99GMPH")]}

    assert field_of("teeth", **changes) == (308,)
    assert dropped_of(**changes) == ["PrimaryAnatomicStructureSequence (0008,2228)"]


def test_a_view_code_of_more_than_16_characters_is_read_from_its_long_value() -> None:
    item = code("a-view-of-another-house", "99GMPH")

    assert "CodeValue" not in item
    assert field_of("view", ViewCodeSequence=[item]) == "a-view-of-another-house"


def test_a_view_is_read_from_the_performed_protocol_or_the_only_scheduled_one() -> None:
    request = Dataset()
    request.ScheduledProtocolCodeSequence = [code("max-incisors", "99GMPH")]
    request.ScheduledProcedureStepID = "S1"

    performed = {"PerformedProtocolCodeSequence": [code("mand-incisors", "99GMPH")]}
    assert field_of("view", **performed) == "mand-incisors"
    assert field_of("view", RequestAttributesSequence=[request]) == "max-incisors"
    assert field_of("scheduled_step_id", RequestAttributesSequence=[request]) == "S1"


def test_a_whole_list_of_scheduled_views_says_nothing_of_one_image() -> None:
    request = Dataset()
    request.ScheduledProtocolCodeSequence = [
        code("max-incisors", "99GMPH"),
        code("mand-incisors", "99GMPH"),
    ]

    assert field_of("view", RequestAttributesSequence=[request]) is None


def test_the_species_code_is_read() -> None:
    changes = {"PatientSpeciesCodeSequence": [code("448771007", "SCT")]}

    assert field_of("species_code", **changes) == "448771007"
