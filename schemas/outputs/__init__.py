"""Tube output tables: air kerma per mAs of an X-ray tube, by model."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from itertools import product
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, NotNegative, Positive, Text
from schemas.rule_files import read_rules

KnownWaveform = Literal["constant_potential", "rectified"]
Waveform = Literal[KnownWaveform, "unknown"]
"""The tube's potential over time. ``rectified``: alternating mains, half-wave, self-rectified or
full-wave, unsmoothed, which give the same per mAs; ``unknown`` is never guessed."""

_POINT_EXAMPLE: dict[str, Any] = {
    "waveform": "constant_potential",
    "tube_kv": 60.0,
    "filtration_mm_al": 2.0,
    "anode_angle_degrees": 20.0,
    "kerma_ugy_per_mas": 65.92,
    "hvl_mm_al": 1.72,
}


class OutputPoint(Contract):
    """The output of a tube at one waveform, tube potential, filtration and anode angle."""

    waveform: KnownWaveform
    tube_kv: Annotated[float, Field(ge=20.0, le=150.0)]
    """Peak tube potential in kV."""
    filtration_mm_al: NotNegative
    """Total filtration in mm of aluminium."""
    anode_angle_degrees: Annotated[float, Field(gt=0.0, lt=90.0)]
    kerma_ugy_per_mas: Positive
    """Air kerma in µGy per mAs at the table's reference distance."""
    hvl_mm_al: Positive
    """First half-value layer in mm of aluminium."""

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (_POINT_EXAMPLE,)


class SpectrumModel(Contract):
    """A full grid of computed tube output, with all that is needed to compute it again.

    Kerma is free in air on the beam axis, without backscatter.
    """

    library: Text
    library_version: Text
    physics: Text
    """Name of the library's physics model."""
    attenuation_source: Text
    """Name of the library's set of attenuation coefficients."""
    target: Text
    """Chemical symbol of the anode material."""
    rectified_wave: Text
    """How the spectra of a rectified wave were made from those of constant potential."""
    air_path_mm: NotNegative
    """Air between focus and the point of the kerma, in mm. 0: no air in the computation."""
    reference_distance_mm: Positive
    """Distance from focus, in mm, of the kerma in ``points``."""
    points: Annotated[tuple[OutputPoint, ...], Field(min_length=1)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "library": "spekpy",
            "library_version": "2.5.4",
            "physics": "casim",
            "attenuation_source": "nist",
            "target": "W",
            "rectified_wave": "mean over half a period",
            "air_path_mm": 0.0,
            "reference_distance_mm": 1000.0,
            "points": [_POINT_EXAMPLE],
        },
    )

    @model_validator(mode="after")
    def _is_a_full_grid(self) -> Self:
        keys = [
            (p.waveform, p.tube_kv, p.filtration_mm_al, p.anode_angle_degrees) for p in self.points
        ]
        axes = [sorted(set(axis)) for axis in zip(*keys, strict=True)]
        if sorted(keys) != list(product(*axes)):
            raise ValueError(
                "points must hold every combination of waveform, tube_kv, filtration_mm_al and "
                "anode_angle_degrees exactly once"
            )
        return self

    @cached_property
    def grid(self) -> "OutputGrid":
        """The points laid out for reading: made once, since a model never changes."""
        return OutputGrid(
            reference_distance_mm=self.reference_distance_mm,
            tube_kv=tuple(sorted({p.tube_kv for p in self.points})),
            filtration_mm_al=tuple(sorted({p.filtration_mm_al for p in self.points})),
            anode_angle_degrees=tuple(sorted({p.anode_angle_degrees for p in self.points})),
            points={
                (p.waveform, p.anode_angle_degrees, p.filtration_mm_al, p.tube_kv): p
                for p in self.points
            },
        )


@dataclass(frozen=True, slots=True, eq=False)
class OutputGrid:
    """A model's points by waveform, anode angle, filtration and kV, and its three axes."""

    reference_distance_mm: float
    tube_kv: tuple[float, ...]
    filtration_mm_al: tuple[float, ...]
    anode_angle_degrees: tuple[float, ...]
    points: Mapping[tuple[KnownWaveform, float, float, float], OutputPoint]


def load_spectrum_model(path: Path | None = None) -> SpectrumModel:
    """Read a table of modelled tube output; without ``path`` the one shipped here.

    Raises ``InvalidInput`` where the file breaks the contract.
    """
    return read_rules(SpectrumModel, path or files(__name__) / "spectrum_model.yaml")
