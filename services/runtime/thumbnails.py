"""A small grey picture of a stored X-ray image, as PNG. For orientation beside a note, not to read.

Clauses are of DICOM PS3.3 (C.11.2.1.2 and .3 read; the rest from memory); the tests hold the
windows against pydicom's own, and read the PNG by Pillow.
"""

import struct
import zlib
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError
from pydicom.pixels.processing import apply_modality_lut

MAX_SIDE_PIXELS: Final = 360
MOST_PIXELS: Final = 100_000_000
"""A larger image is not opened. Invented: an intraoral sensor has a few millions (memory)."""

NOT_HERE: Final = "The image file is not on this machine."
NOT_SHOWN_HERE: Final = "The image is stored in a form that cannot be shown here."


class Thumbnail(NamedTuple):
    """The PNG, or None and why in words for who reads the note."""

    png: bytes | None
    words: str = ""


def thumbnail(
    path: Path, max_side_pixels: int = MAX_SIDE_PIXELS, most_pixels: int = MOST_PIXELS
) -> Thumbnail:
    """Read a DICOM file and give its first and only frame, small; none of more than so many pixels.

    The picture goes through the modality and VOI transformations of the file (PS3.3 C.11.1,
    C.11.2), else from its least to its greatest value; MONOCHROME1 is inverted (C.7.6.3.1.2).
    """
    try:
        dataset = dcmread(path)
        grey = grey_picture(dataset, max_side_pixels, most_pixels)
    except FileNotFoundError:
        return Thumbnail(None, NOT_HERE)
    # What pydicom raises on pixels that no installed decoder takes, or that are not whole.
    except (
        InvalidDicomError,
        AttributeError,
        ValueError,
        TypeError,
        KeyError,
        IndexError,
        NotImplementedError,
        RuntimeError,
        OSError,
    ):
        return Thumbnail(None, NOT_SHOWN_HERE)
    return Thumbnail(None, NOT_SHOWN_HERE) if grey is None else Thumbnail(grey_png(grey))


def grey_picture(
    dataset: Dataset, max_side_pixels: int, most_pixels: int = MOST_PIXELS
) -> NDArray[np.uint8] | None:
    """Give the image as shown on a screen, 0 black to 255 white; None where it is not one grey one.

    Raises what pydicom raises where the pixels cannot be decoded.
    """
    rows, columns = int(dataset.Rows), int(dataset.Columns)
    one_grey = (
        int(dataset.SamplesPerPixel) == 1
        and int(dataset.get("NumberOfFrames") or 1) == 1
        and dataset.PhotometricInterpretation in {"MONOCHROME1", "MONOCHROME2"}
    )
    if not one_grey or not 0 < rows * columns <= most_pixels:
        return None
    stored = apply_modality_lut(dataset.pixel_array, dataset)
    grey = _shrunk(_voi(stored, dataset), max_side_pixels)
    if dataset.PhotometricInterpretation == "MONOCHROME1":
        grey = 1.0 - grey
    return np.rint(grey * 255.0).astype(np.uint8)


def _voi(values: NDArray[np.generic], dataset: Dataset) -> NDArray[np.float64]:
    """Give the values of interest from 0 to 1."""
    told = np.asarray(values, np.float64)
    if sequence := dataset.get("VOILUTSequence"):
        return _looked_up(told, sequence[0])
    if "WindowCenter" in dataset and "WindowWidth" in dataset:
        center = float(np.atleast_1d(dataset.WindowCenter)[0])
        width = float(np.atleast_1d(dataset.WindowWidth)[0])
        return window(told, center, width, str(dataset.get("VOILUTFunction") or "LINEAR"))
    least, greatest = float(told.min()), float(told.max())
    return (told - least) / ((greatest - least) or 1.0)


def _looked_up(values: NDArray[np.float64], item: Dataset) -> NDArray[np.float64]:
    """Look values up in a table (C.11.2.1.1), from 0 to 1.

    Not by pydicom, whose look-up errs where a table has 8 bit entries and more than 256 of them.
    """
    entries, first, bits = (int(one) for one in item.LUTDescriptor)
    data = item.LUTData
    if isinstance(data, bytes):
        wide = np.uint8 if len(data) == (entries or 65_536) else np.dtype("<u2")
        data = np.frombuffer(data, wide)
    table = np.asarray(data, np.float64)
    places = np.clip(values - first, 0, table.size - 1).astype(np.intp)
    return np.asarray(table[places] / (2.0**bits - 1.0), np.float64)


def window(
    values: NDArray[np.float64], center: float, width: float, function: str
) -> NDArray[np.float64]:
    """Apply a window: LINEAR, LINEAR_EXACT or SIGMOID of PS3.3 C.11.2.1.2 and .3, from 0 to 1."""
    if function == "SIGMOID":
        # Beyond the bounds it is 0 or 1 to all digits; without them exp overflows.
        steps = np.clip(-4.0 * (values - center) / width, -700.0, 700.0)
        return np.asarray(1.0 / (1.0 + np.exp(steps)), np.float64)
    if function == "LINEAR":
        center, width = center - 0.5, width - 1.0
    if width <= 0.0:
        return np.where(values > center, 1.0, 0.0)
    return np.clip((values - center) / width + 0.5, 0.0, 1.0)


def _shrunk(picture: NDArray[np.float64], max_side_pixels: int) -> NDArray[np.float64]:
    """Give the means of square blocks; what is left over at the far edges is cut."""
    step = -(-max(picture.shape) // max_side_pixels)
    rows, columns = (max(length // step, 1) for length in picture.shape)
    cut = picture[: rows * step, : columns * step]
    # A line of pixels shorter than a block is drawn out to one.
    short = [(0, rows * step - cut.shape[0]), (0, columns * step - cut.shape[1])]
    blocks = np.pad(cut, short, mode="edge").reshape(rows, step, columns, step)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float64)


def grey_png(picture: NDArray[np.uint8]) -> bytes:
    """Write 8 bit greyscale as PNG (ISO/IEC 15948): no interlace, no filter, same bytes always."""
    rows, columns = picture.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    lines = np.pad(picture, ((0, 0), (1, 0)))
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
