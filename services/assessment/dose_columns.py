"""Many exposures as columns of numpy, read from the rows of doses.

A name (a site, an operator, a view …) is kept as a number that stands for it; ``names`` gives it
back. What nobody told is NaN in a column of figures and ``NOT_TOLD`` in one of names.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from schemas.conclusions import DoseBasis, ExposureUse
from schemas.techniques import SizeRule
from schemas.teeth import Species
from services.assessment.dose_rows import EXPOSURE_FIELDS

NOT_TOLD: Final = "not told"
BASES: Final = tuple(DoseBasis)
USES: Final = tuple(ExposureUse)

Figures = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

NAMED: Final = ("site", "room", "generator", "operator", "view", "preset", "size", "patient")
_CHUNK: Final = 5_000
_AT = {name: position for position, name in enumerate(EXPOSURE_FIELDS)}


class _Numbers(dict[Any, int]):
    """Gives each value met a number of its own, from 0 on."""

    def __missing__(self, value: Any) -> int:
        number = self[value] = len(self)
        return number


@dataclass(frozen=True, slots=True)
class DoseColumns:
    """One line an exposure, all columns of one length.

    ``day`` is the day of the study as a proleptic ordinal, ``kerma_mgy`` and ``kap_mgycm2`` are
    NaN where unknown or in doubt, ``relative_uncertainty`` is standard (k = 1). ``codes`` holds a
    column for each of ``NAMED``. A patient's id is told apart by its site.
    """

    day: Codes
    study: Codes
    codes: Mapping[str, Codes]
    names: Mapping[str, tuple[str, ...]]
    use: Codes
    repeat: Flags
    training: Flags
    tube_kv: Figures
    tube_current_ma: Figures
    exposure_ms: Figures
    kerma_mgy: Figures
    kap_mgycm2: Figures
    relative_uncertainty: Figures
    basis: Codes
    studies: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.day)

    def only(self, chosen: Flags) -> "DoseColumns":
        """Keep the chosen lines."""
        return DoseColumns(
            day=self.day[chosen],
            study=self.study[chosen],
            codes={name: codes[chosen] for name, codes in self.codes.items()},
            names=self.names,
            use=self.use[chosen],
            repeat=self.repeat[chosen],
            training=self.training[chosen],
            tube_kv=self.tube_kv[chosen],
            tube_current_ma=self.tube_current_ma[chosen],
            exposure_ms=self.exposure_ms[chosen],
            kerma_mgy=self.kerma_mgy[chosen],
            kap_mgycm2=self.kap_mgycm2[chosen],
            relative_uncertainty=self.relative_uncertainty[chosen],
            basis=self.basis[chosen],
            studies=self.studies,
        )

    @property
    def summed(self) -> Flags:
        """Those that count: an exposure that waits for a person stands in no sum."""
        return np.not_equal(self.use, USES.index(ExposureUse.PROPOSED))

    @property
    def ended_early(self) -> Flags:
        return np.equal(self.use, USES.index(ExposureUse.ENDED_EARLY))


def columns_of(
    rows: Iterable[Mapping[Any, Any]], size_rules: Mapping[str, SizeRule]
) -> DoseColumns:
    """Lay rows of the dose table out as columns. ``size_rules`` are by site; the default serves
    any other."""
    builder = _Builder(size_rules)
    for row in rows:
        builder.add(row)
    return builder.columns()


class _Builder:
    def __init__(self, size_rules: Mapping[str, SizeRule]) -> None:
        self._size_rules = size_rules
        self._numbers = {name: _Numbers() for name in (*NAMED, "study")}
        self._waiting: list[list[Any]] = []
        self._heads: list[tuple[int, ...]] = []
        self._counts: list[int] = []
        self._parts: list[dict[str, npt.NDArray[Any]]] = []

    def add(self, row: Mapping[Any, Any]) -> None:
        exposures = json.loads(row["exposures"])
        if not exposures:
            return
        site, numbers = row["site"], self._numbers
        day: date = row["day"]
        self._heads.append(
            (
                day.toordinal(),
                numbers["study"][row["study_instance_uid"]],
                numbers["site"][site],
                numbers["room"][row["room"]],
                numbers["size"][self._size(site, row["species"], row["weight_kg"])],
                numbers["patient"][f"{site} {row['patient_id']}"],
                int(row["training"]),
            )
        )
        self._counts.append(len(exposures))
        self._waiting.append(exposures)
        if len(self._counts) >= _CHUNK:
            self._settle()

    def _size(self, site: str, species: str | None, weight_kg: float | None) -> str | None:
        if species is None:
            return None
        rule = self._size_rules.get(site, _DEFAULT_RULE)
        size = rule.size_of(Species(species), weight_kg)
        return f"{size} {species}" if size is not None else None

    def _settle(self) -> None:
        """Turn what waits into arrays, so that a million lists are never held at once."""
        heads = np.repeat(np.array(self._heads, dtype=np.int32), self._counts, axis=0)
        told = list(zip(*chain.from_iterable(self._waiting), strict=True))
        part: dict[str, npt.NDArray[Any]] = {
            name: heads[:, position]
            for position, name in enumerate(
                ("day", "study", "site", "room", "size", "patient", "training")
            )
        }
        for name in ("generator", "operator", "view", "preset"):
            numbers = self._numbers[name]
            part[name] = np.array([numbers[value] for value in told[_AT[name]]], dtype=np.int32)
        for name, known in (("use", _USE_NUMBERS), ("basis", _BASIS_NUMBERS)):
            part[name] = np.array([known[value] for value in told[_AT[name]]], dtype=np.int32)
        part["repeat"] = np.array(told[_AT["repeat"]], dtype=np.bool_)
        for name in _FIGURES:
            part[name] = np.array(told[_AT[name]], dtype=np.float64)
        self._parts.append(part)
        self._waiting, self._heads, self._counts = [], [], []

    def columns(self) -> DoseColumns:
        if self._counts or not self._parts:
            if not self._counts:
                return self._none()
            self._settle()
        whole = {
            name: np.concatenate([part[name] for part in self._parts]) for name in self._parts[0]
        }
        return self._columns(whole)

    def _none(self) -> DoseColumns:
        names = ("day", "study", *NAMED, "training", "use", "basis", "repeat", *_FIGURES)
        kinds = {"repeat": np.bool_} | dict.fromkeys(_FIGURES, np.float64)
        return self._columns({name: np.zeros(0, kinds.get(name, np.int32)) for name in names})

    def _columns(self, whole: Mapping[str, npt.NDArray[Any]]) -> DoseColumns:
        return DoseColumns(
            day=whole["day"],
            study=whole["study"],
            codes={name: whole[name] for name in NAMED},
            names={name: _names(self._numbers[name]) for name in NAMED},
            use=whole["use"],
            repeat=whole["repeat"],
            training=whole["training"].astype(np.bool_),
            basis=whole["basis"],
            studies=_names(self._numbers["study"]),
            **{name: whole[name] for name in _FIGURES},
        )


_DEFAULT_RULE: Final = SizeRule()
_USE_NUMBERS: Final = {use.value: number for number, use in enumerate(USES)}
_BASIS_NUMBERS: Final = {basis.value: number for number, basis in enumerate(BASES)}
_FIGURES: Final = (
    "tube_kv",
    "tube_current_ma",
    "exposure_ms",
    "kerma_mgy",
    "kap_mgycm2",
    "relative_uncertainty",
)


def _names(numbers: _Numbers) -> tuple[str, ...]:
    return tuple(NOT_TOLD if value is None else str(value) for value in numbers)
