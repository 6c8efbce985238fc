"""How often the hints from an image's pixels are right, on rendered images whose truth is known.

``python -m tests.bench.pixel_hints [images] [seed]``: renders small images of the packaged plans'
views (half of them right), looks at their statistics as intake does, and compares the hint with
how each was made. The images are invented; of a real station's processing this says nothing.
"""

import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass

from demo.synthetic_image import STORED_BITS, render_view
from schemas.plans import Scope, View, load_plans
from schemas.quality.rates import wilson
from services.assessment.quality import suspect
from services.intake.pixel_statistics import pixel_statistics

PIXEL_PITCH_MM = 0.2
RIGHT = "right"
OF_FAULT = {
    "over": "suspected-overexposure",
    "under": "suspected-underexposure",
    "cut": "suspected-cut-off",
}


@dataclass(frozen=True, slots=True)
class Made:
    """How an image was made. ``degree`` names its stratum."""

    fault: str
    degree: str
    exposure: float = 1.0
    cut_off: float = 0.0


def draw(rng: random.Random) -> Made:
    """Draw how the next image is made. A factor of 2 is a stop; right is within 0.4 stops."""
    near = 2 ** rng.uniform(-0.4, 0.4)
    fault = rng.choice([RIGHT, RIGHT, RIGHT, *OF_FAULT])
    if fault == "cut":
        share = rng.choice([(0.05, 0.1), (0.1, 0.2), (0.2, 0.4)])
        degree = f"{share[0]:.0%} to {share[1]:.0%} cut off"
        return Made(fault, degree, near, rng.uniform(*share))
    if fault in OF_FAULT:
        low, high = rng.choice([(0.7, 1.5), (1.5, 2.5), (2.5, 3.5)])
        stops = rng.uniform(low, high)
        way = "over" if fault == "over" else "under"
        factor = 2**stops if fault == "over" else 2**-stops
        return Made(fault, f"{way} by {low:g} to {high:g} stops", factor)
    return Made(RIGHT, "right within 0.4 stops", near)


def views() -> list[tuple[str, View]]:
    """Every view of every full-mouth plan of permanent teeth, with its species."""
    return [
        (plan.species.value, view)
        for plan in load_plans().values()
        if plan.scope is Scope.FULL_MOUTH and plan.dentition == "permanent"
        for view in plan.views
    ]


def measure(count: int, seed: int) -> Iterator[tuple[Made, str | None]]:
    """Render images and give of each how it was made and the code of its hint."""
    rng = random.Random(seed)
    offered = views()
    for _ in range(count):
        species, view = rng.choice(offered)
        made = draw(rng)
        pixels = render_view(
            species,
            view.teeth,
            receptor_size=view.receptor_size,
            pixel_pitch_mm=PIXEL_PITCH_MM,
            seed=rng.getrandbits(32),
            exposure=made.exposure,
            cut_off=made.cut_off,
        )
        found = suspect(pixel_statistics(pixels, bits_stored=STORED_BITS))
        yield made, found[0] if found is not None else None


def table(results: list[tuple[Made, str | None]]) -> Iterator[str]:
    """Give sensitivity by fault and degree, and specificity of each hint, with 95 % intervals."""
    for fault, code in OF_FAULT.items():
        ours = [(made, hint) for made, hint in results if made.fault == fault]
        yield _line(f"{code}, sensitivity", sum(hint == code for _, hint in ours), len(ours))
        for degree in sorted({made.degree for made, _ in ours}):
            of_degree = [hint for made, hint in ours if made.degree == degree]
            yield _line(f"  {degree}", of_degree.count(code), len(of_degree))
        others = [hint for made, hint in results if made.fault != fault]
        yield _line(f"{code}, specificity", sum(hint != code for hint in others), len(others))
    right = [hint for made, hint in results if made.fault == RIGHT]
    yield _line("no hint on a right image", right.count(None), len(right))


def _line(name: str, count: int, of: int) -> str:
    low, high = wilson(count, of)
    share = count / of if of else 0.0
    return f"{name:45} {count:4} of {of:4}  {share:6.1%}  ({low:.1%} to {high:.1%})"


def main() -> None:
    told = [int(one) for one in sys.argv[1:3]]
    count, seed = (*told, *(400, 20260302)[len(told) :])
    results = list(measure(count, seed))
    print(f"{count} invented images, seed {seed}")
    print("\n".join(table(results)))


if __name__ == "__main__":
    main()
