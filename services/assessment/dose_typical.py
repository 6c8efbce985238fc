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
    kinds = np.stack([views, codes["size"], codes["site"], codes["room"], codes["patient"]], axis=1)
    keys, of_key = np.unique(kinds, axis=0, return_inverse=True)
    of_key = of_key.reshape(-1)
    means = np.bincount(of_key, columns.kerma_mgy) / np.bincount(of_key)
    # The keys are sorted, so that all patients of one room stand together.
    borders = np.flatnonzero(np.any(keys[1:, :4] != keys[:-1, :4], axis=1)) + 1
    found: dict[tuple[str, str], list[RoomValues]] = {}
    for begin, end in zip([0, *borders], [*borders, len(keys)], strict=True):
        shown, size, site, room, _ = keys[begin]
        kind = (names["view"][shown] if view is not None else ANY_VIEW, names["size"][size])
        place = f"{names['site'][site]} {names['room'][room]}"
        found.setdefault(kind, []).append(RoomValues(place, means[begin:end].tolist()))
    return found
