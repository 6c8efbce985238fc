"""Compute ``spectrum_model.yaml``: ``python -m schemas.outputs.make_spectrum_model``.

Needs the development dependencies and some minutes. The service reads the file only, and never
this script.
"""

import sys
from functools import cache
from importlib.metadata import version
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import yaml

from schemas.outputs import KnownWaveform, OutputPoint, SpectrumModel

WAVEFORMS: Final[tuple[KnownWaveform, ...]] = ("constant_potential", "rectified")
TUBE_KV: Final = tuple(range(50, 95, 5))
FILTRATION_MM_AL: Final = (1.5, 2.0, 2.5, 3.0)
ANODE_ANGLE_DEGREES: Final = (12, 16, 20)
REFERENCE_DISTANCE_MM: Final = 1000.0
PHYSICS: Final = "casim"
ATTENUATION_SOURCE: Final = "nist"
TARGET: Final = "W"

WAVE_STEP_KV: Final = 2.5
WAVE_LEAST_KV: Final = 15.0
RECTIFIED_WAVE: Final = (
    "Mean over half a mains period of the constant-potential spectra at peak kV times sin, with "
    "the same tube current at every moment of it (limited by emission, so independent of kV). "
    "Spectra every 2.5 kV, linear between them; below 15 kV nothing passes."
)
"""A current that follows the voltage would give 1.35 to 1.4 times as much per mAs (same spectra,
weight sin): the uncertainty of the model covers it."""

TABLE: Final = Path(__file__).with_name("spectrum_model.yaml")
_PHASES: Final = 20_000

_HEADER = """\
# Air kerma per mAs of a dental X-ray tube, computed, not measured: the model is not the machine.
# Made by `python -m schemas.outputs.make_spectrum_model`; do not edit by hand.
# kerma_ugy_per_mas is in µGy per mAs at reference_distance_mm, on axis, no air, no backscatter.
"""

_Array = npt.NDArray[np.float64]


def compute_point(
    waveform: KnownWaveform,
    tube_kv: float,
    filtration_mm_al: float,
    anode_angle_degrees: float,
) -> OutputPoint:
    """Compute one output by the spectrum library: kerma and HVL to 4 places.

    With the rectified wave ``tube_kv`` must be a multiple of ``WAVE_STEP_KV``.
    """
    if waveform == "rectified":
        spectrum = _rectified(tube_kv, anode_angle_degrees)
    else:
        spectrum = _constant(tube_kv, anode_angle_degrees)
    filtered = spectrum.clone(spectrum)
    filtered.filter("Al", filtration_mm_al)
    return OutputPoint(
        waveform=waveform,
        tube_kv=float(tube_kv),
        filtration_mm_al=float(filtration_mm_al),
        anode_angle_degrees=float(anode_angle_degrees),
        kerma_ugy_per_mas=round(float(filtered.get_kerma()), 4),
        hvl_mm_al=round(float(filtered.get_hvl1()), 4),
    )


def wave_weights(tube_kv: float) -> dict[float, float]:
    """Give the share of the half-wave that each step of kV stands for; what lies below is none.

    The wave is sin at equal steps of time; a moment between two steps counts for both in line.
    """
    steps = np.arange(WAVE_LEAST_KV, tube_kv + WAVE_STEP_KV / 2, WAVE_STEP_KV)
    moments = (np.arange(_PHASES) + 0.5) / _PHASES * np.pi
    potentials = tube_kv * np.sin(moments)
    place = (potentials[potentials >= WAVE_LEAST_KV] - WAVE_LEAST_KV) / WAVE_STEP_KV
    below = np.minimum(place.astype(int), len(steps) - 2)
    shares = np.zeros(len(steps))
    np.add.at(shares, below, 1.0 - (place - below))
    np.add.at(shares, below + 1, place - below)
    return {float(kv): float(share) for kv, share in zip(steps, shares / _PHASES, strict=True)}


@cache
def _constant(tube_kv: float, anode_angle_degrees: float) -> Any:
    import spekpy  # the one place that needs it

    return spekpy.Spek(
        kvp=tube_kv,
        th=anode_angle_degrees,
        targ=TARGET,
        physics=PHYSICS,
        mu_data_source=ATTENUATION_SOURCE,
        z=REFERENCE_DISTANCE_MM / 10.0,
        mas=1.0,
    )


@cache
def _rectified(tube_kv: float, anode_angle_degrees: float) -> Any:
    """Add up the spectra of the wave, unfiltered, and hand the sum to the library again."""
    import spekpy

    energies, total = _spectrum(tube_kv, anode_angle_degrees)
    total = total * 0.0
    for kv, share in wave_weights(tube_kv).items():
        lower, fluence = _spectrum(kv, anode_angle_degrees)
        if not np.allclose(lower, energies[: len(lower)]):
            raise RuntimeError(f"the library's energies at {kv} kV are not those at {tube_kv} kV")
        total[: len(lower)] += share * fluence
    with TemporaryDirectory() as folder:
        file = Path(folder) / "wave.txt"
        np.savetxt(file, np.column_stack((energies, total)), delimiter=";", fmt="%.17g")
        return spekpy.Spek.load_from_file(
            str(file), ";", REFERENCE_DISTANCE_MM / 10.0, 1.0, ATTENUATION_SOURCE
        )


def _spectrum(tube_kv: float, anode_angle_degrees: float) -> tuple[_Array, _Array]:
    energies, fluence = _constant(tube_kv, anode_angle_degrees).get_spectrum(diff=True)
    return np.asarray(energies), np.asarray(fluence)


def compute_model() -> SpectrumModel:
    """Compute the whole grid."""
    grid = product(WAVEFORMS, ANODE_ANGLE_DEGREES, FILTRATION_MM_AL, TUBE_KV)
    return SpectrumModel(
        library="spekpy",
        library_version=version("spekpy"),
        physics=PHYSICS,
        attenuation_source=ATTENUATION_SOURCE,
        target=TARGET,
        rectified_wave=RECTIFIED_WAVE,
        air_path_mm=0.0,
        reference_distance_mm=REFERENCE_DISTANCE_MM,
        points=tuple(
            compute_point(waveform, kv, filtration, angle)
            for waveform, angle, filtration, kv in grid
        ),
    )


def as_yaml(model: SpectrumModel) -> str:
    """Write the table, one point a line."""
    content: dict[str, Any] = model.model_dump(mode="json")
    points = content.pop("points")
    lines = [yaml.safe_dump(content, sort_keys=False, allow_unicode=True), "points:\n"]
    for point in points:
        flow = yaml.safe_dump(point, default_flow_style=True, sort_keys=False, width=200)
        lines.append(f"  - {flow}")
    return _HEADER + "".join(lines)


def main() -> int:
    """Write the table beside this script."""
    TABLE.write_text(as_yaml(compute_model()), encoding="utf-8")
    sys.stdout.write(f"wrote {TABLE.name}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
