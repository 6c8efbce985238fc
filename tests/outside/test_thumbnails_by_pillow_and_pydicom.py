"""Small pictures of stored images, read back by Pillow; windows against pydicom's own.

Sources: DICOM PS3.3 C.11.2.1.2 and C.11.2.1.3 (windows; read), C.7.6.3.1.2 (MONOCHROME1) and
C.11.1 (rescale; both from memory).
"""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.pixels.processing import apply_voi, apply_windowing
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, RLELossless

from services.runtime.thumbnails import (
    NOT_HERE,
    NOT_SHOWN_HERE,
    grey_picture,
    grey_png,
    thumbnail,
    window,
)


def stored(pixels: NDArray[np.uint16], **values: Any) -> Dataset:
    """Make an invented 16 bit image with these stored values."""
    made = Dataset()
    made.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    made.SOPInstanceUID = "2.25.2001"
    made.Rows, made.Columns = pixels.shape
    made.SamplesPerPixel = 1
    made.PhotometricInterpretation = "MONOCHROME2"
    made.BitsAllocated, made.BitsStored, made.HighBit = 16, 12, 11
    made.PixelRepresentation = 0
    made.PixelData = pixels.astype("<u2").tobytes()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    for name, value in values.items():
        setattr(made, name, value)
    return made


def kept(made: Dataset, tmp_path: Path) -> Path:
    made.save_as(tmp_path / "image.dcm", enforce_file_format=True)
    return tmp_path / "image.dcm"


def read(png: bytes | None) -> NDArray[np.uint8]:
    assert png is not None
    with Image.open(io.BytesIO(png)) as opened:
        opened.load()
        assert (opened.format, opened.mode) == ("PNG", "L")
        return np.asarray(opened)


RAMP = np.arange(0, 4096, 16, dtype=np.uint16).reshape(16, 16)


@settings(max_examples=20, deadline=None)
@given(rows=st.integers(1, 40), columns=st.integers(1, 40), seed=st.integers(0, 99))
def test_pillow_reads_the_png_as_it_was_written(rows: int, columns: int, seed: int) -> None:
    pixels = np.random.default_rng(seed).integers(0, 256, (rows, columns), np.uint8)

    assert np.array_equal(read(grey_png(pixels)), pixels)
    assert grey_png(pixels) == grey_png(pixels.copy())


@pytest.mark.parametrize("function", ["LINEAR", "LINEAR_EXACT", "SIGMOID"])
@pytest.mark.parametrize(("center", "width"), [(2048.0, 4096.0), (1000.0, 700.0), (2048.5, 1.0)])
def test_a_window_is_pydicom_s_own(function: str, center: float, width: float) -> None:
    given = Dataset()
    given.WindowCenter, given.WindowWidth, given.VOILUTFunction = center, width, function
    given.PhotometricInterpretation, given.BitsStored = "MONOCHROME2", 12
    given.PixelRepresentation = 0

    ours = window(RAMP.astype(np.float64), center, width, function)

    assert np.allclose(ours, apply_windowing(RAMP, given) / 4095.0, atol=1e-9)


def test_without_a_window_the_least_value_is_black_and_the_greatest_white() -> None:
    picture = grey_picture(stored(RAMP + 7), 64)

    assert picture is not None
    assert (picture.min(), picture.max()) == (0, 255)
    assert np.array_equal(picture, np.rint(RAMP / RAMP.max() * 255).astype(np.uint8))


def test_a_flat_image_is_black_and_divides_by_nothing() -> None:
    picture = grey_picture(stored(np.full((4, 4), 9, np.uint16)), 64)

    assert picture is not None
    assert not picture.any()


def test_monochrome1_is_shown_inverted() -> None:
    plain = grey_picture(stored(RAMP), 64)
    inverted = grey_picture(stored(RAMP, PhotometricInterpretation="MONOCHROME1"), 64)

    assert plain is not None
    assert inverted is not None
    assert np.array_equal(inverted, 255 - plain)


def test_a_window_is_of_the_rescaled_values() -> None:
    values = {"RescaleSlope": 2, "RescaleIntercept": -1000}
    picture = grey_picture(stored(RAMP, WindowCenter=500, WindowWidth=1001, **values), 64)
    rescaled = RAMP.astype(np.float64) * 2 - 1000

    assert picture is not None
    expected = np.clip((rescaled - 499.5) / 1000 + 0.5, 0, 1)
    assert np.array_equal(picture, np.rint(expected * 255).astype(np.uint8))


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("bits", [8, 12])
def test_a_table_of_values_of_interest_is_looked_up(bits: int, packed: bool) -> None:
    first, entries = 500, 3000
    table = np.linspace(2**bits - 1, 0, entries).round().astype("<u2")
    item = Dataset()
    item.LUTDescriptor = [entries, first, bits]
    item.add_new("LUTData", "OW" if packed else "US", table.tobytes() if packed else table.tolist())
    image = stored(RAMP, VOILUTSequence=[item])
    expected = table[np.clip(RAMP.astype(int) - first, 0, entries - 1)]
    if bits == 12:  # pydicom's own look-up errs on the other
        assert np.array_equal(expected, apply_voi(RAMP, image))

    picture = grey_picture(image, 64)

    assert picture is not None
    assert np.array_equal(picture, np.rint(expected / (2**bits - 1) * 255).astype(np.uint8))


@settings(max_examples=20, deadline=None)
@given(rows=st.integers(1, 90), columns=st.integers(1, 90), most=st.integers(1, 30))
def test_a_picture_is_never_larger_than_asked_nor_empty(rows: int, columns: int, most: int) -> None:
    pixels = np.arange(rows * columns, dtype=np.uint16).reshape(rows, columns) % 4096

    picture = grey_picture(stored(pixels), most)

    assert picture is not None
    assert 1 <= min(picture.shape) <= max(picture.shape) <= most


def test_a_file_becomes_a_picture_also_run_length_encoded(tmp_path: Path) -> None:
    plain = thumbnail(kept(stored(RAMP), tmp_path))
    packed = stored(RAMP)
    packed.compress(RLELossless, generate_instance_uid=False)

    assert read(plain.png).shape == (16, 16)
    assert thumbnail(kept(packed, tmp_path)).png == plain.png


def test_what_cannot_be_shown_gives_words_and_no_picture(tmp_path: Path) -> None:
    assert thumbnail(tmp_path / "none.dcm") == (None, NOT_HERE)
    (tmp_path / "text.dcm").write_text("no image")
    assert thumbnail(tmp_path / "text.dcm") == (None, NOT_SHOWN_HERE)
    short = stored(RAMP)
    short.PixelData = short.PixelData[:100]
    assert thumbnail(kept(short, tmp_path)) == (None, NOT_SHOWN_HERE)
    colour = stored(np.zeros((4, 12), np.uint16), Columns=4, SamplesPerPixel=3)
    colour.PhotometricInterpretation, colour.PlanarConfiguration = "RGB", 0
    assert thumbnail(kept(colour, tmp_path)) == (None, NOT_SHOWN_HERE)
    huge = stored(RAMP, Rows=65_000, Columns=65_000)
    assert thumbnail(kept(huge, tmp_path)) == (None, NOT_SHOWN_HERE)


def test_pixels_that_no_decoder_takes_give_words_and_no_picture(tmp_path: Path) -> None:
    from pydicom.encaps import encapsulate

    broken = stored(RAMP)
    broken.file_meta.TransferSyntaxUID = JPEG2000Lossless
    broken.PixelData = encapsulate([b"not a code stream, invented"])
    broken["PixelData"].is_undefined_length = True

    assert thumbnail(kept(broken, tmp_path)) == (None, NOT_SHOWN_HERE)
