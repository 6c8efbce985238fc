"""Units of dose and of area dose become ours."""

import pytest

from schemas.dose_units import kap_in_mgycm2, kerma_in_mgy
from schemas.errors import InvalidInput


@pytest.mark.parametrize(
    ("value", "unit", "mgy"),
    [(0.012, "dGy", 1.2), (0.0012, "Gy", 1.2), (1200.0, "uGy", 1.2), (0.12, "cGy", 1.2)],
)
def test_dose_units_become_mgy(value: float, unit: str, mgy: float) -> None:
    assert kerma_in_mgy(value, unit) == pytest.approx(mgy)


@pytest.mark.parametrize(
    ("value", "unit", "mgycm2"),
    [
        (0.56, "dGy.cm2", 56.0),
        (5.6e-6, "Gy.m2", 56.0),
        (5.6, "uGy.m2", 56.0),
        (5.6, "cGy.cm2", 56.0),
        (0.056, "Gy.cm2", 56.0),
    ],
)
def test_area_dose_units_become_mgycm2(value: float, unit: str, mgycm2: float) -> None:
    assert kap_in_mgycm2(value, unit) == pytest.approx(mgycm2)


def test_an_unknown_or_mistaken_unit_is_refused() -> None:
    with pytest.raises(InvalidInput, match="kerma_unit"):
        kerma_in_mgy(1.0, "dGy.cm2")
    with pytest.raises(InvalidInput, match="kap_unit"):
        kap_in_mgycm2(1.0, "mGy")
