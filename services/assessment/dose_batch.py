"""The doses of very many exposures at once: the same figures and doubts as one by one.

A report over a group's years reads plain columns; one at a time it would take minutes.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from schemas.outputs import SpectrumModel
from services.assessment.batch_doubts import doubtful_columns
from services.assessment.batch_kerma import (
    BASES,
    UNKNOWN,
    Flags,
    Floats,
    Ints,
    KermaColumns,
    TechniqueColumns,
    estimate_columns,
)
from services.assessment.exposure_technique import TubeGeometry


@dataclass(frozen=True, slots=True)
class DoseColumns:
    """Figures as told or computed, and which are doubtful: no sum may take those in unmarked."""

    figures: KermaColumns
    kerma_doubtful: Flags
    kap_doubtful: Flags

    def kerma_sum_mgy(self) -> tuple[float, int, int]:
        """The sum of kermas beyond doubt, how many are unknown, and how many doubtful."""
        return _sum(self.figures.kerma_mgy, self.figures.kerma_basis, self.kerma_doubtful)

    def kap_sum_mgycm2(self) -> tuple[float, int, int]:
        """The same of kerma-area products."""
        return _sum(self.figures.kap_mgycm2, self.figures.kap_basis, self.kap_doubtful)


def places_of(tubes: Mapping[str, TubeGeometry]) -> tuple[dict[str, int], int]:
    """Places of the tubes by name, and that of every other, as ``TechniqueColumns.of`` asks."""
    return {name: place for place, name in enumerate(tubes)}, len(tubes)


def doses_in_columns(
    told: TechniqueColumns, tubes: Mapping[str, TubeGeometry], model: SpectrumModel | None
) -> DoseColumns:
    """Estimate exposures tube by tube; a tube that ``tubes`` does not hold has nothing known."""
    number = len(told)
    columns: dict[str, Any] = {
        field.name: np.full(number, UNKNOWN, dtype=np.int64)
        if field.name.endswith("basis")
        else np.full(number, math.nan)
        for field in fields(KermaColumns)
    }
    kerma_doubtful, kap_doubtful = np.zeros(number, np.bool_), np.zeros(number, np.bool_)
    for place, tube in enumerate((*tubes.values(), TubeGeometry())):
        rows = np.flatnonzero(told.tube == place)
        if not len(rows):
            continue
        own = told.rows(rows)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            found = estimate_columns(own, tube, model)
            doubtful = doubtful_columns(own, tube, model, found)
        for name, column in columns.items():
            column[rows] = getattr(found, name)
        kerma_doubtful[rows], kap_doubtful[rows] = doubtful
    return DoseColumns(KermaColumns(**columns), kerma_doubtful, kap_doubtful)


def basis_name(place: int) -> str:
    """Name a basis of a column."""
    return "unknown" if place == UNKNOWN else BASES[place].value


def _sum(values: Floats, basis: Ints, doubtful: Flags) -> tuple[float, int, int]:
    known = basis != UNKNOWN
    return (
        float(values[known & ~doubtful].sum()),
        int((~known).sum()),
        int((known & doubtful).sum()),
    )
