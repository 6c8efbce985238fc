"""The doses of a period as CSV: a file of exposures for each site and month, and a summary.

Pure but for the files. UTF-8, a comma between cells, a point in figures, units in the heads.
"""

import csv
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from schemas.errors import InvalidInput
from services.assessment.dose_periods import GroupDose, Part
from services.assessment.dose_rows import EXPOSURE_FIELDS

_STUDY_HEADS: Final = (
    "site",
    "day",
    "study_instance_uid",
    "patient_id",
    "species",
    "weight_kg",
    "room",
    "training",
)
_HEADS: Final = (*_STUDY_HEADS, "ended_at_utc", *EXPOSURE_FIELDS[1:])
_SUMMARY_HEADS: Final = (
    "site",
    "month",
    "group",
    "studies",
    "patients",
    "exposures",
    "repeats",
    "ended_early",
    "waiting_in_no_sum",
    "unknown_kerma_in_no_sum",
    "unknown_kap_in_no_sum",
    "kerma_mgy",
    "kerma_repeats_mgy",
    "kerma_ended_early_mgy",
    "kap_mgycm2",
    "kap_repeats_mgycm2",
    "kap_ended_early_mgycm2",
    "kerma_relative_standard_uncertainty",
    "basis",
    "median_of_one_mgy",
    "median_of_one_low_mgy",
    "median_of_one_high_mgy",
    "median_of_a_study_mgy",
)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def write_exposures(rows: Iterable[Mapping[Any, Any]], folder: Path) -> list[Path]:
    """Write ``exposures-<site>-<month>.csv`` for rows ordered by site and day; give the files.

    Raises InvalidInput where one of them exists already.
    """
    written = []
    for (site, month), some in groupby(rows, key=lambda r: (r["site"], f"{r['day']:%Y-%m}")):
        path = folder / f"exposures-{site}-{month}.csv"
        _write(path, _HEADS, (line for row in some for line in _lines(row)))
        written.append(path)
    return written


def write_summary(found: Iterable[tuple[str, str, GroupDose]], path: Path) -> None:
    """Write the groups of each site and month. Raises InvalidInput where the file exists."""
    _write(path, _SUMMARY_HEADS, (_summary(site, month, one) for site, month, one in found))


def _write(path: Path, heads: Iterable[str], lines: Iterable[Iterable[Any]]) -> None:
    try:
        # Over no other file: a report that was handed on stays as it is.
        with path.open("x", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(heads)
            writer.writerows([_cell(value) for value in line] for line in lines)
    except FileExistsError as error:
        raise InvalidInput("--csv", str(path), "a folder that does not hold this file") from error


def _lines(row: Mapping[Any, Any]) -> Iterator[list[Any]]:
    head = [row[name] for name in _STUDY_HEADS]
    for at_s, *others in json.loads(row["exposures"]):
        yield [*head, datetime.fromtimestamp(at_s, UTC).isoformat(), *others]


def _cell(value: Any) -> Any:
    """Write nothing for what is not known, and no text that a table program takes as a formula."""
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return value


def _summary(site: str, month: str, one: GroupDose) -> list[Any]:
    of_one, of_a_study = one.kerma_of_one_mgy, one.kerma_of_a_study_mgy
    parts: tuple[Part, ...] = (one.total, one.repeats, one.ended_early)
    return [
        site,
        month,
        one.group,
        one.studies,
        one.patients,
        *(part.exposures for part in parts),
        one.waiting,
        one.unknown_kerma,
        one.unknown_kap,
        *(part.kerma_mgy for part in parts),
        *(part.kap_mgycm2 for part in parts),
        one.relative_uncertainty,
        " ".join(basis.value for basis in one.bases),
        of_one.median if of_one is not None else None,
        of_one.median_low if of_one is not None else None,
        of_one.median_high if of_one is not None else None,
        of_a_study.median if of_a_study is not None else None,
    ]
