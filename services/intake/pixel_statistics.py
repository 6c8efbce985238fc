"""What the stored pixels of an image look like: hints for a person, never a reason to refuse.

Only native pixel data is looked at, 8 or 16 bits, grey, one frame, little endian; of anything else
nothing is known. A large image is sampled, so the work is bounded: a 2 MB image takes a few ms.
"""

import mmap
from math import ceil, floor, gcd

import numpy as np
import structlog
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from schemas.facts import PixelStatistics
from services.intake.image_files import IncomingFile
from services.intake.image_structure import PixelData

log = structlog.get_logger(__name__)

_NATIVE = frozenset({ExplicitVRLittleEndian, ImplicitVRLittleEndian})
_MOST_SAMPLES = 65_536
_PIECE = 65_536


def statistics_of(
    file: IncomingFile, dataset: Dataset, pixels: PixelData
) -> PixelStatistics | None:
    """Give the statistics of a written file's pixels, or None where they cannot be had.

    Parameters
    ----------
    dataset
        Has the attributes of the image pixel module.
    pixels
        Where its pixel data lies, as ``check_structure`` found it; its length fits its size.
    """
    if file.transfer_syntax_uid not in _NATIVE or pixels.length_bytes is None:
        return None
    try:
        return _look(file, dataset, pixels)
    except Exception as error:  # noqa: BLE001 - whatever is odd of its pixels, the image is kept
        log.info(
            "pixel_statistics_not_had",
            sop_instance_uid=file.sop_instance_uid,
            reason=f"{type(error).__name__}: {error}",
        )
        return None


def _look(file: IncomingFile, dataset: Dataset, pixels: PixelData) -> PixelStatistics | None:
    allocated, stored = int(dataset.BitsAllocated), int(dataset.BitsStored)
    rows, columns = int(dataset.Rows), int(dataset.Columns)
    plain = (
        allocated in {8, 16}
        and 1 <= stored <= allocated
        and int(dataset.get("HighBit", stored - 1)) == stored - 1
        and int(dataset.get("SamplesPerPixel") or 1) == 1
        and int(dataset.get("NumberOfFrames") or 1) == 1
        and rows * columns > 0
    )
    if not plain:
        return None
    signed = bool(dataset.get("PixelRepresentation") or 0)
    count = rows * columns
    # A memory map: only the pages that are looked at are ever in memory.
    with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        values = np.frombuffer(
            data, "<u2" if allocated == 16 else "u1", count, pixels.value_at
        ).reshape(rows, columns)
        try:
            return pixel_statistics(
                values,
                bits_stored=stored,
                signed=signed,
                inverted=str(dataset.PhotometricInterpretation) == "MONOCHROME1",
            )
        finally:
            del values  # or the map could not be closed


def pixel_statistics(
    values: NDArray[np.unsignedinteger],
    *,
    bits_stored: int,
    signed: bool = False,
    inverted: bool = False,
) -> PixelStatistics:
    """Count an image of rows and columns; of a large one every nth pixel, with n told by its size.

    ``values`` are stored values as unsigned numbers; ``signed`` says that they are to be read in
    two's complement. Bits above ``bits_stored`` may hold overlays (PS3.5 8.1.1) and are masked.
    """
    flat = values.reshape(-1)[:: _step(values.size, values.shape[1])]
    span = (1 << bits_stored) - 1
    low = -(1 << (bits_stored - 1)) if signed else 0
    # One count for each stored value is quicker than sorting for the median.
    counts = np.zeros(span + 1, dtype=np.int64)
    for begin in range(0, flat.size, _PIECE):  # each turns into numbers of eight bytes
        piece = _stored(flat[begin : begin + _PIECE], bits_stored)
        counts += np.bincount(piece, minlength=span + 1)
    if signed:  # two's complement: the upper half stands for what is below zero
        counts = np.roll(counts, -low)
    up_to = np.cumsum(counts)
    total = int(up_to[-1])
    # The value of the first pixel in order, of the two in the middle, and of the last.
    places = [1, (total + 1) // 2, total // 2 + 1, total]
    minimum, middle, next_to_it, maximum = np.searchsorted(up_to, places)
    hundredth = span / 100
    return PixelStatistics(
        bits_stored=bits_stored,
        inverted=inverted,
        minimum=int(minimum) + low,
        maximum=int(maximum) + low,
        median=float(middle + next_to_it) / 2 + low,
        low_share=float(up_to[floor(hundredth)] / total),
        high_share=float(counts[ceil(span - hundredth) :].sum() / total),
        border_share=max(
            _unvarying(_stored(line, bits_stored))
            for line in (values[0], values[-1], values[:, 0], values[:, -1])
        ),
    )


def _step(pixels: int, columns: int) -> int:
    """Give a step that no column count divides, so that not always the same columns are seen."""
    step = max(1, -(-pixels // _MOST_SAMPLES))
    while step > 1 and gcd(step, columns) != 1:
        step += 1
    return step


def _stored(values: NDArray[np.unsignedinteger], bits_stored: int) -> NDArray[np.unsignedinteger]:
    """Give what counts of stored values, and no bit above."""
    masked: NDArray[np.unsignedinteger] = values & values.dtype.type((1 << bits_stored) - 1)
    return masked


def _unvarying(line: NDArray[np.unsignedinteger]) -> float:
    """Give the share of a border's pixels that equal their neighbour before."""
    if line.size < 2:
        return 0.0
    return float(np.count_nonzero(line[1:] == line[:-1]) / (line.size - 1))
