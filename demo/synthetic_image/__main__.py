"""Write one synthetic radiograph as PNG to look at."""

import argparse
import sys
from pathlib import Path

import numpy as np

from demo.synthetic_image import RECEPTOR_SIZES_MM, STORED_BITS, png, render_view


def main() -> int:
    """Run ``python -m demo.synthetic_image``; gives the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m demo.synthetic_image",
        description="Draw an invented intraoral radiograph of a dog or a cat (8-bit PNG).",
    )
    parser.add_argument("--species", choices=["dog", "cat"], required=True)
    parser.add_argument("--teeth", type=int, nargs="+", required=True, help="Triadan numbers")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--receptor-size", type=int, choices=sorted(RECEPTOR_SIZES_MM), default=2)
    parser.add_argument("--pixel-pitch-mm", type=float, default=0.04)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--exposure", type=float, default=1.0, help="1 is the right technique")
    parser.add_argument("--cut-off", type=float, default=0.0, help="share the beam misses")
    parser.add_argument("--occlusal", action="store_true", help="both sides around the midline")
    given = parser.parse_args()
    try:
        pixels = render_view(
            given.species,
            given.teeth,
            receptor_size=given.receptor_size,
            pixel_pitch_mm=given.pixel_pitch_mm,
            seed=given.seed,
            exposure=given.exposure,
            cut_off=given.cut_off,
            occlusal=given.occlusal,
        )
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    png.write(given.out, (pixels >> (STORED_BITS - 8)).astype(np.uint8))
    return 0


if __name__ == "__main__":
    sys.exit(main())
