"""How well links are found: counts over many days, and whether confidence means what it says."""

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from services.assessment.link_confidence import shown
from services.assessment.linking import link
from tests.simulated_rooms.conditions import HELD_OUT, MIXED, TUNED, Conditions, mixed
from tests.simulated_rooms.day import SimulatedDay, simulate

BINS = 20


@dataclass(slots=True)
class Score:
    """Counts over many days. ``told`` holds each link's confidence, as it is shown, and whether
    it is right; ``raw`` the same before it is brought to a step."""

    days: int = 0
    exposures: int = 0
    true_pairs: int = 0
    accepted: int = 0
    right: int = 0
    cross_patient: int = 0
    proposed: int = 0
    seconds: float = 0.0
    told: list[tuple[float, bool]] = field(default_factory=list)
    raw: list[tuple[float, bool]] = field(default_factory=list)

    def add_day(self, day: SimulatedDay, links: Mapping[str, str]) -> None:
        """Count accepted links, image to exposure."""
        study_of_image = {image.key: image.study for image in day.images}
        self.days += 1
        self.exposures += len(day.exposures)
        self.true_pairs += len(day.truth)
        for image, exposure in links.items():
            self.accepted += 1
            self.right += day.truth.get(image) == exposure
            self.cross_patient += day.study_of_exposure[exposure] != study_of_image[image]

    @property
    def precision(self) -> float:
        return self.right / self.accepted if self.accepted else 1.0

    @property
    def recall(self) -> float:
        return self.right / self.true_pairs if self.true_pairs else 1.0

    @property
    def asked(self) -> float:
        """Share of the images' true pairs for which a person is asked about some pair."""
        return self.proposed / self.true_pairs if self.true_pairs else 0.0

    @property
    def calibration_error(self) -> float:
        """Expected calibration error over bins of equal width."""
        return sum(
            count / len(self.told) * abs(told - right) for count, told, right in self.reliability()
        )

    def reliability(self) -> list[tuple[int, float, float]]:
        """Give number, mean confidence and share right of each bin that is not empty."""
        bins: dict[int, list[tuple[float, bool]]] = {}
        for confidence, right in self.told:
            bins.setdefault(min(int(confidence * BINS), BINS - 1), []).append((confidence, right))
        return [
            (
                len(members),
                sum(confidence for confidence, _ in members) / len(members),
                sum(right for _, right in members) / len(members),
            )
            for _, members in sorted(bins.items())
        ]


def days_of(name: str, seeds: Iterable[int], *, held_out: bool = False) -> Iterable[SimulatedDay]:
    """Make the days of one condition by its name, or mixed days."""
    among: Mapping[str, Conditions] = HELD_OUT if held_out else TUNED
    for seed in seeds:
        yield simulate(seed, mixed(seed, dict(among)) if name == MIXED else among[name])


def score_days(days: Iterable[SimulatedDay]) -> Score:
    """Link simulated days and count."""
    score = Score()
    for day in days:
        started = time.perf_counter()
        found = link(day.exposures, day.images)
        score.seconds += time.perf_counter() - started
        score.add_day(day, {one.image: one.exposure for one in found.links if one.accepted})
        score.proposed += sum(not one.accepted for one in found.links)
        raw = [(one.confidence, day.truth.get(one.image) == one.exposure) for one in found.links]
        score.raw += raw
        score.told += [(shown(confidence), right) for confidence, right in raw]
    return score


def score_baseline(
    days: Iterable[SimulatedDay], linker: Callable[[SimulatedDay], dict[str, str]]
) -> Score:
    """Count what a baseline links."""
    score = Score()
    for day in days:
        score.add_day(day, linker(day))
    return score
