"""The values of each room that typical values and local reference levels are made of.

Pure. Of each patient one value counts: the mean of its exposures of a kind that ran their time
and were no repeats. The kind is the view, with 'any view' beside it, and the size of the animal.
"""

from typing import Final

import numpy as np

from services.assessment.dose_columns import NOT_TOLD, DoseColumns
from services.assessment.typical_values import RoomValues

ANY_VIEW: Final = "any view"


def room_values(columns: DoseColumns) -> dict[tuple[str, str], list[RoomValues]]:
    """Give the values in mGy by view and size, for each room that has any."""
    chosen = columns.summed & ~columns.ended_early & ~columns.repeat & ~np.isnan(columns.kerma_mgy)
    counted = columns.only(chosen & _told(columns, "size"))
    if not len(counted):
        return {}
    found = _by_room(counted, None)
    return found | _by_room(counted.only(_told(counted, "view")), "view")


def _told(columns: DoseColumns, name: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    names = columns.names[name]
    if NOT_TOLD not in names:
        return np.ones(len(columns), dtype=np.bool_)
    return np.not_equal(columns.codes[name], names.index(NOT_TOLD))


def _by_room(columns: DoseColumns, view: str | None) -> dict[tuple[str, str], list[RoomValues]]:
    if not len(columns):
        return {}
    codes, names = columns.codes, columns.names
    views = codes[view] if view is not None else np.zeros(len(columns), dtype=np.int32)
    parts = (views, codes["size"], codes["site"], codes["room"], codes["patient"])
    widths = [int(part.max()) + 1 for part in parts]
    # One number for all five, since numpy sorts numbers far faster than rows.
    keys, of_key = np.unique(np.ravel_multi_index(parts, widths), return_inverse=True)
    means = np.bincount(of_key, columns.kerma_mgy) / np.bincount(of_key)
    shown, size, site, room, _ = (part.astype(int) for part in np.unravel_index(keys, widths))
    # The keys are sorted, so that all patients of one room stand together.
    borders = np.flatnonzero(np.diff(keys // widths[-1])) + 1
    found: dict[tuple[str, str], list[RoomValues]] = {}
    for begin, end in zip([0, *borders], [*borders, len(keys)], strict=True):
        kind = (
            names["view"][shown[begin]] if view is not None else ANY_VIEW,
            names["size"][size[begin]],
        )
        place = f"{names['site'][site[begin]]} {names['room'][room[begin]]}"
        found.setdefault(kind, []).append(RoomValues(place, means[begin:end].tolist()))
    return found
