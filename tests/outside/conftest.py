"""Programs that are not ours, which several of these suites ask."""

from pathlib import Path

import pytest

from tests.outside.dicom_checker import find_dciodvfy


@pytest.fixture(scope="session")
def dciodvfy() -> Path:
    return find_dciodvfy()
