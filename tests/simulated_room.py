"""A seeded room-day with known truth: which exposure made which image, and for which patient.

All of it is our own invention. ``python -m tests.simulated_room`` prints how well linking does.
"""

import random
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

from services.assessment.linking import RoomLinks, link
from services.assessment.pairing_scores import Exposure, Image

PRESETS: dict[str, tuple[frozenset[int], float]] = {
    "incisors-upper": (frozenset({101, 102, 103, 201, 202, 203}), 100.0),
    "canine-upper": (frozenset({104, 204}), 125.0),
    "cheek-upper": (frozenset({105, 106, 107, 108, 109, 110, 205, 206, 207, 208, 209, 210}), 160.0),
    "incisors-lower": (frozenset({301, 302, 303, 401, 402, 403}), 80.0),
    "cheek-lower": (frozenset({306, 307, 308, 309, 310, 311, 406, 407, 408, 409, 410}), 120.0),
}
GENERATOR, STATION = "generator-1", "station-1"


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the day is like. Shares are from 0 to 1, times in seconds."""

    patients: int = 5
    views_per_patient: int = 14
    largest_offset_s: float = 300.0
    usual_delay_s: float = 4.0
    jitter_s: float = 1.0
    ended_early: float = 0.04
    early_makes_image: float = 0.2
    image_lost: float = 0.03
    foreign_image: float = 0.02
    between_views_s: tuple[float, float] = (25.0, 120.0)
    between_patients_s: tuple[float, float] = (60.0, 1800.0)
    preset_left_over: float = 0.05
    header_tells_technique: float = 0.7
    image_tells_teeth: float = 0.8


@dataclass(frozen=True, slots=True)
class SimulatedDay:
    exposures: tuple[Exposure, ...]
    images: tuple[Image, ...]
    truth: dict[str, str]
    """Image key to the key of the exposure that made it; foreign images are absent."""

    study_of_exposure: dict[str, str]


def simulate(seed: int, conditions: Conditions | None = None) -> SimulatedDay:
    """Make one room-day; the same seed gives the same day."""
    given = conditions or Conditions()
    rng = random.Random(seed)
    offset_s = rng.uniform(-given.largest_offset_s, given.largest_offset_s)
    now_s = 8 * 3600.0
    exposures: list[Exposure] = []
    images: list[Image] = []
    truth: dict[str, str] = {}
    study_of: dict[str, str] = {}
    names = list(PRESETS)

    def expose(study: str, early: bool) -> None:
        preset = rng.choice(names)
        teeth, set_ms = PRESETS[preset]
        delivered_ms = set_ms * rng.uniform(0.1, 0.8) if early else set_ms
        shown_teeth = frozenset(rng.sample(sorted(teeth), min(3, len(teeth))))
        told = PRESETS[rng.choice(names)][0] if rng.random() < given.preset_left_over else teeth
        key = f"exposure-{len(exposures):03d}"
        made = Exposure(
            key, GENERATOR, now_s, 65.0, 7.0, set_ms, round(delivered_ms, 1), told, early
        )
        exposures.append(made)
        study_of[key] = study
        if rng.random() < (1.0 - given.early_makes_image if early else given.image_lost):
            return
        image = Image(
            f"image-{len(images):03d}",
            study,
            STATION,
            now_s + offset_s + given.usual_delay_s + rng.gauss(0.0, given.jitter_s),
            teeth=shown_teeth if rng.random() < given.image_tells_teeth else frozenset(),
        )
        if rng.random() < given.header_tells_technique:
            image = replace(image, tube_kv=65.0, tube_current_ma=7.0, exposure_ms=set_ms)
        images.append(image)
        truth[image.key] = key

    for patient in range(given.patients):
        study = f"study-{patient}"
        for _ in range(given.views_per_patient):
            if rng.random() < given.ended_early:
                expose(study, early=True)
                now_s += rng.uniform(*given.between_views_s)
            expose(study, early=False)
            if rng.random() < given.foreign_image:
                at_s = now_s + offset_s + rng.uniform(-600.0, 600.0)
                images.append(Image(f"image-{len(images):03d}", study, STATION, at_s))
            now_s += rng.uniform(*given.between_views_s)
        now_s += rng.uniform(*given.between_patients_s)
    return SimulatedDay(tuple(exposures), tuple(images), truth, study_of)


@dataclass(slots=True)
class Score:
    """Counts over many days."""

    exposures: int = 0
    true_pairs: int = 0
    accepted: int = 0
    right: int = 0
    cross_patient: int = 0
    proposed: int = 0
    seconds: float = 0.0

    def add(self, day: SimulatedDay, found: RoomLinks, seconds: float) -> None:
        study_of_image = {image.key: image.study for image in day.images}
        self.exposures += len(day.exposures)
        self.true_pairs += len(day.truth)
        self.seconds += seconds
        for one in found.links:
            if not one.accepted:
                self.proposed += 1
                continue
            self.accepted += 1
            self.right += day.truth.get(one.image) == one.exposure
            crossed = day.study_of_exposure[one.exposure] != study_of_image[one.image]
            self.cross_patient += crossed

    @property
    def precision(self) -> float:
        return self.right / self.accepted if self.accepted else 1.0

    @property
    def recall(self) -> float:
        return self.right / self.true_pairs if self.true_pairs else 1.0


def score_days(seeds: Iterator[int] | range, conditions: Conditions | None = None) -> Score:
    """Link many simulated days and count."""
    score = Score()
    for seed in seeds:
        day = simulate(seed, conditions)
        started = time.perf_counter()
        found = link(day.exposures, day.images)
        score.add(day, found, time.perf_counter() - started)
    return score


CONDITIONS: dict[str, Conditions] = {
    "mixed": Conditions(),
    "clocks right": Conditions(largest_offset_s=1.0),
    "jitter 3 s": Conditions(jitter_s=3.0),
    "one short study": Conditions(patients=1, views_per_patient=3),
    "back to back": Conditions(between_patients_s=(5.0, 30.0), between_views_s=(12.0, 40.0)),
    "header silent": Conditions(header_tells_technique=0.0, image_tells_teeth=0.0),
    "evenly spaced": Conditions(between_views_s=(40.0, 40.0), header_tells_technique=0.0),
    "many lost": Conditions(image_lost=0.25, ended_early=0.15, foreign_image=0.15),
}


def main() -> int:
    print("condition          precision  recall  cross-patient  proposed  ms per room-day")
    for name, conditions in CONDITIONS.items():
        days = 200
        score = score_days(range(days), conditions)
        print(
            f"{name:18} {score.precision:9.4f} {score.recall:7.4f} {score.cross_patient:8d}/"
            f"{score.exposures:<6d} {score.proposed:7d}  {1000 * score.seconds / days:12.1f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
