"""Typical values and local reference levels: what is given, and what is refused and why."""

import pytest

from services.assessment.dose_columns import columns_of
from services.assessment.dose_typical import ANY_VIEW, room_values
from services.assessment.typical_values import (
    LEAST_PATIENTS,
    LEAST_ROOMS,
    RoomValues,
    local_level,
    quantile,
    typical_value,
)
from tests.dose_rows import row


def room(name: str, middle: float, patients: int = LEAST_PATIENTS) -> RoomValues:
    return RoomValues(name, [middle + 0.01 * (i - (patients - 1) / 2) for i in range(patients)])


def test_a_room_of_twenty_patients_has_its_median_and_one_of_fewer_has_none() -> None:
    enough = typical_value(room("north dental-1", 1.2), "mGy")
    assert enough.value == pytest.approx(1.2)
    too_few = typical_value(room("north dental-1", 1.2, LEAST_PATIENTS - 1), "mGy")
    assert too_few.value is None
    assert too_few.words == "north dental-1: not given, 19 of at least 20 patients"


def test_ten_rooms_have_a_local_level_and_nine_have_none() -> None:
    rooms = [room(f"room-{i}", 1.0 + 0.1 * i) for i in range(LEAST_ROOMS)]
    level = local_level(rooms, "mGy")
    assert level.value == pytest.approx(1.675)  # 75th percentile of 1.0, 1.1 … 1.9
    refused = local_level(rooms[1:], "mGy")
    assert refused.value is None
    assert "9 of at least 10 rooms" in refused.words


def test_a_room_without_a_typical_value_does_not_count_for_the_level() -> None:
    rooms = [room(f"room-{i}", 1.0) for i in range(LEAST_ROOMS - 1)] + [room("small", 9.0, 3)]
    assert local_level(rooms, "mGy").value is None


def test_of_each_patient_one_value_counts_and_repeats_do_not() -> None:
    again = [{}, {}, {"repeat": True}]
    view = [{"sop_instance_uid": "2.25.2001"}, {"sop_instance_uid": "2.25.2001"}]
    rows = [
        row(1, [1.0, 3.0, 50.0], changes=again),
        row(2, [4.0, 6.0], changes=view),
        row(3, [5.0], patient=None),
    ]
    found = room_values(columns_of(rows, {}))
    assert found[ANY_VIEW, "small dog"] == [RoomValues("north dental-1", [2.0, 5.0])]
    assert found["view-1", "small dog"] == [RoomValues("north dental-1", [1.0, 5.0])]
    assert found["view-2", "small dog"] == [RoomValues("north dental-1", [3.0])]
    assert {size for _, size in found} == {"small dog"}  # of no size no value


@pytest.mark.parametrize("share", [-0.1, 1.1])
def test_a_share_outside_of_0_to_1_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        quantile([1.0], share)
