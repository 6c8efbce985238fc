"""A step's dose attributes, each in its unit.

KVP in kV, Exposure Time (0018,1150) in ms beside (0018,8150) in µs, tube current (0018,8151) in µA
beside (0018,1151) in mA, area dose product in dGy·cm² (DICOM PS3.3 table C.8-33, read), Entrance
Dose (0040,8302) in mGy (PS3.3 section C.8.31.5, read) beside (0040,0302) in dGy (from memory).
"""

from __future__ import annotations

from typing import Any

import pytest

from services.intake.step_exposures import read_exposures
from tests.performed_steps import creation, exposure


@pytest.mark.parametrize(
    ("values", "expected_ma", "expected_ms"),
    [
        ({"XRayTubeCurrentInuA": "7000", "ExposureTime": 120}, 7.0, 120.0),
        ({"XRayTubeCurrentInuA": "7500.5", "ExposureTime": 120}, 7.5005, 120.0),
        ({"XRayTubeCurrentInuA": None, "XRayTubeCurrent": 7, "ExposureTime": 120}, 7.0, 120.0),
        ({"ExposureTime": None, "ExposureTimeInuS": "62500"}, 7.0, 62.5),
    ],
)
def test_an_exposures_current_and_time_are_read_in_their_units(
    values: dict[str, Any], expected_ma: float, expected_ms: float
) -> None:
    step = creation(ExposureDoseSequence=[exposure(**values)])

    (found,), _ = read_exposures(step)

    assert found.tube_kv == 65.0
    assert found.tube_current_ma == pytest.approx(expected_ma)
    assert found.exposure_ms == pytest.approx(expected_ms)


@pytest.mark.parametrize(
    ("values", "kerma_mgy", "kap_mgycm2"),
    [
        ({"EntranceDoseInmGy": "1.7"}, 1.7, None),
        ({"EntranceDose": 2}, 200.0, None),
        # Beside the fine value, the coarse one rounds a dental dose away.
        ({"EntranceDose": 0, "EntranceDoseInmGy": "1.7"}, 1.7, None),
        ({"EntranceDose": 0}, None, None),
        ({"ImageAndFluoroscopyAreaDoseProduct": "0.5"}, None, 50.0),
    ],
)
def test_a_steps_dose_is_that_of_its_single_exposure(
    values: dict[str, Any], kerma_mgy: float | None, kap_mgycm2: float | None
) -> None:
    step = creation(ExposureDoseSequence=[exposure()], TotalNumberOfExposures=1, **values)

    (found,), _ = read_exposures(step)

    assert found.kerma_mgy == pytest.approx(kerma_mgy)
    assert found.kap_mgycm2 == pytest.approx(kap_mgycm2)


@pytest.mark.parametrize(
    "values",
    [
        {"ExposureDoseSequence": [exposure(), exposure()]},
        {"ExposureDoseSequence": [exposure()], "TotalNumberOfExposures": 2},
    ],
)
def test_a_dose_of_several_exposures_is_given_to_none_of_them(values: dict[str, Any]) -> None:
    step = creation(EntranceDoseInmGy="3.4", ImageAndFluoroscopyAreaDoseProduct="1", **values)

    found, _ = read_exposures(step)

    assert found
    assert {(one.kerma_mgy, one.kap_mgycm2) for one in found} == {(None, None)}


def test_an_exposure_that_lacks_its_factors_is_left_out_with_the_reason() -> None:
    step = creation(ExposureDoseSequence=[exposure(), exposure(KVP=None), exposure()])

    found, dropped = read_exposures(step)

    assert [one.number for one in found] == [1, 3]
    assert "ExposureDoseSequence (0040,030E)" in {wrong.field for wrong in dropped}


def test_factors_beside_the_sequence_count_for_a_single_exposure() -> None:
    step = creation(KVP="60", XRayTubeCurrentInuA="6000", ExposureTime=80, EntranceDoseInmGy="1")

    (found,), _ = read_exposures(step)

    assert (found.tube_kv, found.tube_current_ma, found.exposure_ms) == (60.0, 6.0, 80.0)
    assert found.kerma_mgy == 1.0
