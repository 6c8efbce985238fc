"""A device's time is read by its format and zone, and marked about the change of clocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.mappings import TimeReading
from services.intake.device_clock import SKIPPED, TWICE_FIRST, TWICE_SECOND, read_clock

VIENNA = "Europe/Vienna"


def reading(zone: str = VIENNA, *formats: str, **rules: Any) -> TimeReading:
    return TimeReading(
        columns=("T",), formats=formats or ("%Y-%m-%d %H:%M:%S",), zone=zone, **rules
    )


# Central European Summer Time 2026: from 29 March 01:00 UTC to 25 October 01:00 UTC (IANA tz
# database; the rule is that of Directive 2000/84/EC, from memory).
@pytest.mark.parametrize(
    ("text", "rules", "utc", "mark"),
    [
        ("2026-10-25 01:59:59", {}, "2026-10-24T23:59:59", ""),
        ("2026-10-25 02:30:00", {}, "2026-10-25T00:30:00", TWICE_FIRST),
        ("2026-10-25 02:30:00", {"when_twice": "second"}, "2026-10-25T01:30:00", TWICE_SECOND),
        ("2026-10-25 03:00:00", {}, "2026-10-25T02:00:00", ""),
        ("2026-03-29 01:59:59", {}, "2026-03-29T00:59:59", ""),
        ("2026-03-29 02:30:00", {}, "2026-03-29T01:30:00", SKIPPED),
        ("2026-03-29 03:00:00", {}, "2026-03-29T01:00:00", ""),
    ],
)
def test_a_time_about_the_change_of_clocks_is_read_by_the_rule_and_marked(
    text: str, rules: dict[str, Any], utc: str, mark: str
) -> None:
    read = read_clock(text, "T", reading(**rules))

    assert read.at == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert (read.mark, read.source_clock) == (mark, text + mark)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("2026-10-25 02:30:00", {"when_twice": "refuse"}),
        ("2026-03-29 02:30:00", {"when_skipped": "refuse"}),
    ],
)
def test_a_mapping_may_put_the_hours_of_the_change_to_a_person(
    text: str, rule: dict[str, Any]
) -> None:
    with pytest.raises(InvalidInput, match=VIENNA):
        read_clock(text, "T", reading(**rule))


@pytest.mark.parametrize(
    ("text", "form", "zone", "utc"),
    [
        ("2026-07-02 10:00:00", "%Y-%m-%d %H:%M:%S", "+01:00", "2026-07-02T09:00:00"),
        ("2026-07-02 10:00:00", "%Y-%m-%d %H:%M:%S", "-09:30", "2026-07-02T19:30:00"),
        ("2026-07-02T10:00:00.25Z", "iso", VIENNA, "2026-07-02T10:00:00.250000"),
        ("2026-07-02T10:00:00", "iso", VIENNA, "2026-07-02T08:00:00"),
        ("02.07.26 10:00 +0530", "%d.%m.%y %H:%M %z", VIENNA, "2026-07-02T04:30:00"),
        ("07/02/2026 01:05:06 PM", "%m/%d/%Y %I:%M:%S %p", "UTC", "2026-07-02T13:05:06"),
        ("1782986400", "epoch_s", VIENNA, "2026-07-02T10:00:00"),
        ("1782986400.000001", "epoch_s", VIENNA, "2026-07-02T10:00:00.000001"),
        ("1782986400123", "epoch_ms", VIENNA, "2026-07-02T10:00:00.123000"),
    ],
)
def test_a_time_is_read_by_its_format_and_zone(text: str, form: str, zone: str, utc: str) -> None:
    assert read_clock(text, "T", reading(zone, form)).at == datetime.fromisoformat(utc).replace(
        tzinfo=UTC
    )


def test_formats_that_disagree_about_a_time_refuse_it() -> None:
    either = reading(VIENNA, "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")

    assert read_clock("13/02/2026 10:00", "T", either).at.day == 13
    with pytest.raises(InvalidInput, match="the same one"):
        read_clock("03/02/2026 10:00", "T", either)


@given(
    st.sampled_from(
        [VIENNA, "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "+05:45", "-03:00"]
    ),
    st.integers(631_152_000, 2_114_380_800).map(lambda s: datetime.fromtimestamp(s, UTC)),
)
@example(VIENNA, datetime(2026, 10, 25, 2, 30, tzinfo=UTC))
@example("Australia/Lord_Howe", datetime(2026, 4, 5, 1, 45, tzinfo=UTC))
def test_a_local_time_is_inverted_exactly_unless_it_is_marked(zone: str, local: datetime) -> None:
    local = local.replace(tzinfo=None)  # the years 1990 to 2036, as a wall clock shows them

    read = read_clock(f"{local:%Y-%m-%d %H:%M:%S}", "T", reading(zone))

    if zone[0] in "+-":
        hours, minutes = int(zone[1:3]), int(zone[4:])
        size = timedelta(hours=hours, minutes=minutes)
        assert read.at.replace(tzinfo=None) + (size if zone[0] == "+" else -size) == local
        return
    back = read.at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    assert (back == local) is (read.mark != SKIPPED)
