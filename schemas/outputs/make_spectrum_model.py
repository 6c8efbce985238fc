"""Compute ``spectrum_model.yaml``: ``python -m schemas.outputs.make_spectrum_model``.

Needs the development dependencies. The service reads the file only, and never this script.
"""

import sys
from importlib.metadata import version
from itertools import product
from pathlib import Path
from typing import Any, Final

import yaml

from schemas.outputs import OutputPoint, SpectrumModel

TUBE_KV: Final = tuple(range(50, 95, 5))
FILTRATION_MM_AL: Final = (1.5, 2.0, 2.5)
ANODE_ANGLE_DEGREES: Final = (16, 20)
REFERENCE_DISTANCE_MM: Final = 1000.0
PHYSICS: Final = "casim"
ATTENUATION_SOURCE: Final = "nist"
TARGET: Final = "W"

TABLE: Final = Path(__file__).with_name("spectrum_model.yaml")

_HEADER = """\
# Air kerma per mAs of a dental X-ray tube, computed, not measured: the model is not the machine.
# Made by `python -m schemas.outputs.make_spectrum_model`; do not edit by hand.
# kerma_ugy_per_mas is in µGy per mAs at reference_distance_mm, on axis, no air, no backscatter.
"""


def compute_point(
    tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float
) -> OutputPoint:
    """Compute one output by the spectrum library: kerma to 4 and HVL to 3 places."""
    import spekpy  # the one place that needs it

    spectrum = spekpy.Spek(
        kvp=tube_kv,
        th=anode_angle_degrees,
        targ=TARGET,
        physics=PHYSICS,
        mu_data_source=ATTENUATION_SOURCE,
        z=REFERENCE_DISTANCE_MM / 10.0,
        mas=1.0,
    )
    spectrum.filter("Al", filtration_mm_al)
    return OutputPoint(
        tube_kv=float(tube_kv),
        filtration_mm_al=float(filtration_mm_al),
        anode_angle_degrees=float(anode_angle_degrees),
        kerma_ugy_per_mas=round(float(spectrum.get_kerma()), 4),
        hvl_mm_al=round(float(spectrum.get_hvl1()), 4),
    )


def compute_model() -> SpectrumModel:
    """Compute the whole grid."""
    grid = product(ANODE_ANGLE_DEGREES, FILTRATION_MM_AL, TUBE_KV)
    return SpectrumModel(
        library="spekpy",
        library_version=version("spekpy"),
        physics=PHYSICS,
        attenuation_source=ATTENUATION_SOURCE,
        target=TARGET,
        waveform="constant_potential",
        air_path_mm=0.0,
        reference_distance_mm=REFERENCE_DISTANCE_MM,
        points=tuple(compute_point(kv, filtration, angle) for angle, filtration, kv in grid),
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
