"""One simulated room-day: what happens in true time, and what skewed clocks tell of it."""

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from services.assessment.pairing_scores import Exposure, Image
from tests.simulated_rooms.conditions import Conditions

PRESETS: dict[str, tuple[frozenset[int], float]] = {
    "incisors-upper": (frozenset({101, 102, 103, 201, 202, 203}), 100.0),
    "canine-upper": (frozenset({104, 204}), 125.0),
    "cheek-upper": (frozenset({105, 106, 107, 108, 109, 110, 205, 206, 207, 208, 209, 210}), 160.0),
    "incisors-lower": (frozenset({301, 302, 303, 401, 402, 403}), 80.0),
    "cheek-lower": (frozenset({306, 307, 308, 309, 310, 311, 406, 407, 408, 409, 410}), 120.0),
}
DAY_BEGINS_S = 8 * 3600.0
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class SimulatedDay:
    exposures: tuple[Exposure, ...]
    images: tuple[Image, ...]
    truth: dict[str, str]
    """Image key to the key of the exposure that made it; foreign images are absent."""

    study_of_exposure: dict[str, str]


@dataclass(slots=True)
class _Clock:
    """Told time is true time, ahead by an offset that drifts and is set once."""

    ahead_s: float
    drift_ppm: float = 0.0
    set_at_s: float = float("inf")
    ahead_then_s: float = 0.0
    whole_seconds: bool = False

    def told_s(self, true_s: float) -> float:
        ahead_s = self.ahead_s if true_s < self.set_at_s else self.ahead_then_s
        told_s = true_s + ahead_s + self.drift_ppm * 1e-6 * (true_s - DAY_BEGINS_S)
        return float(int(told_s)) if self.whole_seconds else told_s


@dataclass(slots=True)
class _Maker:
    """Makes a day step by step; ``now_s`` is true time."""

    given: Conditions
    rng: random.Random
    generators: list[_Clock]
    stations: list[_Clock]
    now_s: float = DAY_BEGINS_S
    exposures: list[Exposure] = field(default_factory=list)
    # Images by true time, the key given once all are known.
    images: list[tuple[int, float, Image, str | None]] = field(default_factory=list)
    study_of: dict[str, str] = field(default_factory=dict)
    generator: int = 0
    station: int = 0

    def expose(self, study: str, *, early: bool = False, preset: str | None = None) -> str:
        """Make one exposure; give its preset."""
        rng, given = self.rng, self.given
        names = list(PRESETS)
        preset = preset or rng.choice(names)
        teeth, set_ms = PRESETS[preset]
        delivered_ms = set_ms * rng.uniform(0.1, 0.8) if early else set_ms
        told = PRESETS[rng.choice(names)][0] if rng.random() < given.preset_left_over else teeth
        if rng.random() < 0.3:
            self.generator = rng.randrange(len(self.generators))
        key = f"exposure-{len(self.exposures):03d}"
        self.exposures.append(
            Exposure(
                key,
                f"generator-{self.generator}",
                self.generators[self.generator].told_s(self.now_s),
                65.0,
                7.0,
                set_ms,
                round(delivered_ms, 1),
                told,
                early,
                counter=len(self.exposures) if given.counter_told else None,
            )
        )
        self.study_of[key] = study
        return preset

    def image_of_last(self, study: str, after_s: float, preset: str) -> None:
        """Make the last exposure's image, stamped ``after_s`` later."""
        rng, given, made = self.rng, self.given, self.exposures[-1]
        teeth = PRESETS[preset][0]
        shown = frozenset(rng.sample(sorted(teeth), min(3, len(teeth))))
        image = Image(
            "",
            study,
            f"station-{self.station}",
            0.0,
            teeth=shown if rng.random() < given.image_tells_teeth else frozenset(),
        )
        if rng.random() < given.header_tells_technique:
            image = replace(
                image, tube_kv=65.0, tube_current_ma=7.0, exposure_ms=made.set_exposure_ms
            )
        if rng.random() < given.event_uid_told:
            event = f"2.25.{len(self.exposures)}"
            self.exposures[-1] = replace(made, event=event)
            image = replace(image, event=event)
        self.images.append((self.station, self.now_s + after_s, image, made.key))

    def foreign(self, study: str, at_s: float, tells: float) -> None:
        """An image whose exposure was told nowhere here."""
        rng = self.rng
        image = Image("", study, f"station-{self.station}", 0.0)
        if rng.random() < tells:
            teeth, set_ms = rng.choice(list(PRESETS.values()))
            image = replace(
                image,
                tube_kv=65.0,
                tube_current_ma=7.0,
                exposure_ms=set_ms,
                teeth=frozenset(rng.sample(sorted(teeth), 2)),
            )
        self.images.append((self.station, at_s, image, None))

    def finish(self) -> SimulatedDay:
        images: list[Image] = []
        truth: dict[str, str] = {}
        for station, true_s, image, made_by in sorted(self.images, key=lambda one: one[1]):
            key = f"image-{len(images):03d}"
            images.append(replace(image, key=key, at_s=self.stations[station].told_s(true_s)))
            if made_by is not None:
                truth[key] = made_by
        return SimulatedDay(tuple(self.exposures), tuple(images), truth, self.study_of)


def simulate(seed: int, conditions: Conditions | None = None) -> SimulatedDay:
    """Make one room-day; the same seed gives the same day."""
    given = conditions or Conditions()
    rng = random.Random(seed)
    maker = _Maker(
        given,
        rng,
        [_clock(rng, given, "generator", number) for number in range(given.generators)],
        [_clock(rng, given, "station", number) for number in range(given.stations)],
    )
    for patient in range(given.patients):
        study = f"study-{patient}"
        maker.station = rng.randrange(given.stations)
        lent = given.sensor_lent and patient == given.patients // 2
        if rng.random() < given.plates:
            _on_plates(maker, study)
        else:
            _with_sensor(maker, study, lent=lent)
        maker.now_s += rng.uniform(*given.between_patients_s)
    if given.imported_at_once:
        at_s = rng.uniform(DAY_BEGINS_S, maker.now_s)
        study = rng.choice(["study-imported", "study-0"])
        for _ in range(given.imported_at_once):
            maker.foreign(study, at_s, given.foreign_tells)
            at_s += rng.uniform(0.2, 4.0)
    return maker.finish()


def _clock(rng: random.Random, given: Conditions, kind: str, number: int) -> _Clock:
    largest_s = given.largest_offset_s
    clock = _Clock(
        rng.uniform(-largest_s, largest_s),
        rng.uniform(-given.drift_ppm, given.drift_ppm),
        whole_seconds=given.whole_seconds and kind == "station",
    )
    # Only one of the two kinds is off in plain days: what counts is how far they are apart.
    if kind == "generator" and number == 0:
        clock.ahead_s = 0.0
    somewhere_s = DAY_BEGINS_S + rng.uniform(1800.0, 14_400.0)
    if given.clock_set == kind and number == 0:
        clock.set_at_s = somewhere_s
        clock.ahead_then_s = rng.uniform(-30.0, 30.0)
        if kind == "generator":
            clock.ahead_s = rng.uniform(-largest_s, largest_s)
    if kind == "station" and given.hour_error != "never":
        wrong_s = rng.choice([-_HOUR_S, _HOUR_S])
        if given.hour_error == "mended in mid-day":
            clock.set_at_s, clock.ahead_then_s = somewhere_s, clock.ahead_s
        clock.ahead_s += wrong_s
    return clock


def _with_sensor(maker: _Maker, study: str, *, lent: bool) -> None:
    """A patient on a direct sensor. ``lent``: another room uses our sensor, and nobody says so."""
    rng, given = maker.rng, maker.given
    for _ in range(given.views_per_patient):
        delay: Callable[[], float] = lambda: given.usual_delay_s + rng.gauss(0.0, given.jitter_s)  # noqa: E731
        if rng.random() < given.ended_early:
            preset = maker.expose(study, early=True)
            if rng.random() < given.early_makes_image:
                maker.image_of_last(study, delay(), preset)
            maker.now_s += rng.uniform(*given.between_views_s)
        preset = maker.expose(study)
        if lent:
            maker.foreign("study-next-door", maker.now_s + rng.uniform(0.0, 60.0), 1.0)
        elif rng.random() >= given.image_lost:
            maker.image_of_last(study, delay(), preset)
        if rng.random() < given.retake_at_once:
            maker.now_s += rng.uniform(3.0, 9.0)
            maker.expose(study, preset=preset)
            if rng.random() >= given.image_lost:
                maker.image_of_last(study, delay(), preset)
        if rng.random() < given.foreign_image:
            maker.foreign(study, maker.now_s + rng.uniform(-600.0, 600.0), given.foreign_tells)
        maker.now_s += rng.uniform(*given.between_views_s)


def _on_plates(maker: _Maker, study: str) -> None:
    """A patient on phosphor plates, scanned one after the other long after."""
    rng, given = maker.rng, maker.given
    first = len(maker.images)
    for _ in range(given.views_per_patient):
        preset = maker.expose(study)
        if given.plates_told:
            maker.exposures[-1] = replace(maker.exposures[-1], plate=True)
        if rng.random() >= given.image_lost:
            maker.image_of_last(study, 0.0, preset)
        maker.now_s += rng.uniform(*given.between_views_s)
    scanned = maker.images[first:]
    if given.scan_order == "any":
        rng.shuffle(scanned)
    at_s = maker.now_s + rng.uniform(*given.scanned_after_s)
    for number, (station, _, image, made_by) in enumerate(scanned):
        maker.images[first + number] = (station, at_s, image, made_by)
        at_s += rng.uniform(5.0, 14.0)
