"""A device's line becomes a fact, or says which column does not fit and why."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.facts import ClockRead, ExposureEnded
from schemas.group import Device, DeviceKind
from schemas.mappings import DeviceMapping, load_mapping
from services.intake.device_cells import HeaderUnfit
from services.intake.device_lines import Header, LineRefused, PassedOver, Told, read_line
from tests.device_text import HEADER, clock_line, exposure_line

MAPPING = load_mapping()
COLUMNS = tuple(HEADER.split(";"))
GENERATOR = Device(
    name="generator-1", kind=DeviceKind.GENERATOR, room="dental-1", serial="INVENTED-0001"
)


def told(line: str, mapping: DeviceMapping = MAPPING, columns: Any = COLUMNS) -> Told:
    read = read_line(mapping, line.encode(mapping.encoding), columns, GENERATOR)
    assert isinstance(read, Told)
    return read


def refused(line: str | bytes, columns: Any = COLUMNS) -> InvalidInput:
    raw = line if isinstance(line, bytes) else line.encode()
    with pytest.raises(InvalidInput) as refusal:
        read_line(MAPPING, raw, columns, GENERATOR)
    return refusal.value


def changed(**changes: Any) -> DeviceMapping:
    return DeviceMapping.model_validate_json(
        json.dumps(json.loads(MAPPING.model_dump_json()) | changes)
    )


def by_position_or_json(form: dict[str, Any]) -> DeviceMapping:
    return changed(format=form)


def test_a_line_becomes_an_exposure_in_our_units_by_utc() -> None:
    read = told(exposure_line(run_s="0,061", end="REL"))

    assert read.payload == ExposureEnded.model_validate_json(
        json.dumps(
            {
                "room": "dental-1",
                "generator": "generator-1",
                "generator_serial": "INVENTED-0001",
                "exposure_counter": 4711,
                "preset": "side-upper",
                "receptor": "direct_sensor",
                "animal_size": "small",
                "tube_kv": 65.0,
                "tube_current_ma": 7.0,
                "set_exposure_ms": 120.0,
                "exposure_ms": 61.0,
                "ended_early": True,
                "reported_kerma_mgy": 1.45,
                "operator": "tech-1",
            }
        )
    )
    assert read.occurred_at == datetime(2026, 3, 2, 9, 20, tzinfo=UTC)
    assert read.source_clock == "02.03.2026 10:20:00"


def test_a_line_becomes_a_clock_reading_beside_the_clock_that_is_right() -> None:
    read = told(clock_line())

    assert read.payload == ClockRead(
        device="generator-1", device_time=datetime(2026, 3, 2, 9, 21, tzinfo=UTC)
    )
    assert read.occurred_at == datetime(2026, 3, 2, 9, 23, 2, tzinfo=UTC)


@given(st.permutations(COLUMNS))
def test_columns_in_any_order_tell_the_same(columns: list[str]) -> None:
    # given
    cells = dict(zip(COLUMNS, exposure_line().split(";"), strict=True))

    # when
    header = read_line(MAPPING, ";".join(columns).encode(), None, GENERATOR)
    assert isinstance(header, Header)
    read = told(";".join(cells[column] for column in columns), columns=header.columns)

    # then
    assert read == told(exposure_line())


def test_by_position_as_json_and_in_another_encoding_a_line_tells_the_same() -> None:
    as_wanted = told(exposure_line())
    cells = dict(zip(COLUMNS, exposure_line().split(";"), strict=True))

    by_position = by_position_or_json(
        {
            "kind": "delimited",
            "delimiter": "\t",
            "header": False,
            "columns": list(COLUMNS),
            "decimal_mark": ",",
        }
    )
    assert told(exposure_line().replace(";", "\t"), by_position, None) == as_wanted
    as_json = by_position_or_json({"kind": "json_lines"})
    numbers = {"kV": 65.0, "Set s": 0.12, "Run s": 0.12, "uA": 7000, "Shot": 4711, "Host": None}
    assert told(json.dumps(cells | numbers), as_json, None) == as_wanted
    assert told(exposure_line(), changed(encoding="windows-1252")) == as_wanted


def test_what_is_quoted_or_ends_with_a_delimiter_is_read() -> None:
    quoted = exposure_line().replace("P3", '"P3"') + ";"

    assert told(quoted) == told(exposure_line())


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("", "blank"),
        ("  \r", "blank"),
        ("# INVENTED log", "skips"),
        ("PWR" + ";" * 14, "pass_over"),
    ],
)
def test_a_line_that_tells_nothing_is_passed_over(line: str, why: str) -> None:
    read = read_line(MAPPING, line.encode(), COLUMNS, GENERATOR)

    assert isinstance(read, PassedOver)
    assert why in read.why


@pytest.mark.parametrize(
    ("line", "field", "value", "expected"),
    [
        (exposure_line(program="P9"), "column Program", "P9", "codes P1, P2, P3, P4 for preset"),
        (exposure_line(kv="65.0"), "column kV", "65.0", "a comma before its decimals"),
        (exposure_line(kv="1.234,5"), "column kV", "1.234,5", "a number of kV"),
        (exposure_line(kv="٦٥"), "column kV", "٦٥", "a number of kV"),
        (exposure_line(kv="nan"), "column kV", "nan", "a number of kV"),
        (exposure_line(kv="1e99"), "column kV", "1e99", "200"),
        (exposure_line(kv="900,0"), "column kV", "900,0", "200 (for tube_kv)"),
        (exposure_line(kv=""), "column kV", "", "not optional"),
        (exposure_line(run_s="-0,1"), "column Run s", "-0,1", "0 (for exposure_ms)"),
        (exposure_line(time="25:00:00"), "column Date and Time", "25:00", "%d.%m.%Y %H:%M:%S"),
        (exposure_line(date="2026-03-02"), "column Date and Time", "2026", "a time as"),
        (exposure_line().replace("4711", "47.11"), "column Shot", "47.11", "a whole number"),
        (exposure_line().replace("4711", "9" * 19), "column Shot", "9", "exposure_counter"),
        ("XXX" + ";" * 14, "column Event", "XXX", "one of EXP, CLK, PWR"),
        (exposure_line() + ";more", "line", "16 cells", "15, one to each column"),
        ("EXP;02.03.2026", "line", "2 cells", "15, one to each column"),
        (exposure_line().replace("OK", '"OK'), "line", "EXP", "cells between ';'"),
        (exposure_line().replace("OK", "O\x00K"), "line", "EXP", "printable"),
        (b"EXP;\xff\xfe", "line", "EXP", "text in utf-8"),
    ],
)
def test_a_line_that_does_not_fit_names_column_value_and_expectation(
    line: str | bytes, field: str, value: str, expected: str
) -> None:
    error = refused(line)

    assert isinstance(error, LineRefused)
    assert error.field == field
    assert value in error.value
    assert expected in error.expected


def test_a_refused_line_keeps_what_could_be_read_for_a_person_to_complete() -> None:
    error = refused(exposure_line(program="P9", kv="x"))

    assert isinstance(error, LineRefused)
    assert "and 1 more" in error.expected
    assert error.draft.fields["tube_current_ma"] == 7.0
    assert "preset" not in error.draft.fields
    assert error.draft.clock is not None


def test_a_device_tells_its_own_exposures_only() -> None:
    other = Device(name="generator-2", kind=DeviceKind.GENERATOR, room="dental-2", serial="X")

    with pytest.raises(InvalidInput, match="its own"):
        read_line(MAPPING, exposure_line().encode(), COLUMNS, other)


# Headers -------------------------------------------------------------------------------------


def test_columns_that_the_mapping_does_not_know_are_reported() -> None:
    read = read_line(MAPPING, f"{HEADER};Mood;Weather".encode(), None, GENERATOR)

    assert isinstance(read, Header)
    assert read.unknown == ("Mood", "Weather")


@pytest.mark.parametrize(
    ("line", "known", "field", "expected"),
    [
        (HEADER.replace("kV", "Voltage"), None, "header", "kV too"),
        (HEADER.replace("kV", "Voltage"), COLUMNS, "header", "kV too"),
        (HEADER + ";kV", None, "header", "each column once"),
        (exposure_line(), None, "header", "Date"),
    ],
)
def test_a_header_that_does_not_fit_stops_the_reading(
    line: str, known: Any, field: str, expected: str
) -> None:
    error = refused(line, known)

    assert isinstance(error, HeaderUnfit)
    assert error.field == field
    assert expected in error.expected


def test_a_byte_order_mark_is_passed_over_and_must_agree_with_the_encoding() -> None:
    marked = b"\xef\xbb\xbf" + HEADER.encode()

    assert isinstance(read_line(MAPPING, marked, None, GENERATOR, first=True), Header)
    with pytest.raises(HeaderUnfit, match="byte order mark"):
        read_line(changed(encoding="windows-1252"), marked, None, GENERATOR, first=True)
    with pytest.raises(HeaderUnfit, match="utf-16"):
        read_line(MAPPING, HEADER.encode("utf-16"), None, GENERATOR, first=True)


# Anything ------------------------------------------------------------------------------------


def reads_or_refuses(mapping: DeviceMapping, raw: bytes, columns: Any) -> None:
    """Read; anything but a result or InvalidInput passes on and fails the test."""
    try:
        read: Any = read_line(mapping, raw, columns, GENERATOR, first=True)
    except InvalidInput as error:
        read = (error.field, error.expected)
    if isinstance(read, tuple):
        assert all(read)
    else:
        assert isinstance(read, Header | PassedOver | Told)


@given(st.binary(max_size=300), st.sampled_from([None, COLUMNS]))
def test_any_bytes_are_a_line_or_invalid_input(raw: bytes, columns: Any) -> None:
    reads_or_refuses(MAPPING, raw, columns)
    reads_or_refuses(by_position_or_json({"kind": "json_lines"}), raw, columns)


@given(
    st.lists(st.text(max_size=30), min_size=15, max_size=15),
    st.integers(0, 14),
    st.sampled_from(["EXP", "CLK"]),
)
def test_any_cells_are_a_fact_or_invalid_input(noise: list[str], upto: int, event: str) -> None:
    good = exposure_line().split(";") if event == "EXP" else clock_line().split(";")
    cells = [event, *noise[1 : 1 + upto], *good[1 + upto :]]
    reads_or_refuses(MAPPING, ";".join(cells).encode("utf-8", "replace"), COLUMNS)
    as_json = json.dumps(dict(zip(COLUMNS, cells, strict=True)))
    reads_or_refuses(by_position_or_json({"kind": "json_lines"}), as_json.encode(), None)


@pytest.mark.parametrize(
    "text",
    [
        "[" * 5_000,
        '{"a":' * 5_000,
        '{"Event": "EXP", "Event": "CLK"}',
        '{"Event": NaN}',
        '{"Event": ["EXP"]}',
        '{"Event": "\\ud800"}',
        '{"\\u0000": ["EXP"]}',
        '{"' + "k" * 65 + '": 1}',
        "[]",
        "9" * 5_000,
    ],
)
def test_hostile_json_is_refused(text: str) -> None:
    with pytest.raises(LineRefused):
        read_line(by_position_or_json({"kind": "json_lines"}), text.encode(), None, GENERATOR)


@given(st.decimals(Decimal("0.001"), Decimal("0.120"), places=3))
def test_a_time_told_in_seconds_is_the_nearest_float_of_its_milliseconds(told_s: Decimal) -> None:
    read = told(exposure_line(run_s=str(told_s).replace(".", ",")))

    assert isinstance(read.payload, ExposureEnded)
    assert read.payload.exposure_ms == float(told_s * 1000)
