"""What a simulated day is like: those that settings were tuned on, and those held out."""

import random
from dataclasses import dataclass, replace
from typing import Any, Final, Literal


@dataclass(frozen=True, slots=True)
class Conditions:
    """Shares are from 0 to 1, times in seconds, drift in parts per million either way."""

    patients: int = 5
    views_per_patient: int = 14
    largest_offset_s: float = 300.0
    drift_ppm: float = 0.0
    clock_set: Literal["never", "generator", "station"] = "never"
    hour_error: Literal["never", "all day", "mended in mid-day"] = "never"
    generators: int = 1
    stations: int = 1
    counter_told: bool = True
    usual_delay_s: float = 4.0
    jitter_s: float = 1.0
    whole_seconds: bool = False
    ended_early: float = 0.04
    early_makes_image: float = 0.2
    image_lost: float = 0.03
    foreign_image: float = 0.02
    foreign_tells: float = 0.3
    retake_at_once: float = 0.01
    between_views_s: tuple[float, float] = (25.0, 120.0)
    between_patients_s: tuple[float, float] = (60.0, 1800.0)
    preset_left_over: float = 0.05
    header_tells_technique: float = 0.7
    image_tells_teeth: float = 0.8
    event_uid_told: float = 0.0
    plates: float = 0.0
    plates_told: bool = True
    scanned_after_s: tuple[float, float] = (120.0, 5400.0)
    scan_order: Literal["kept", "any"] = "kept"
    imported_at_once: int = 0
    sensor_lent: bool = False


MIXED: Final = "mixed"

TUNED: Final[dict[str, Conditions]] = {
    "ordinary": Conditions(),
    "clocks right": Conditions(largest_offset_s=1.0),
    "jitter 3 s": Conditions(jitter_s=3.0),
    "whole seconds": Conditions(whole_seconds=True, jitter_s=0.5),
    "one short study": Conditions(patients=1, views_per_patient=3),
    "back to back": Conditions(between_patients_s=(5.0, 30.0), between_views_s=(12.0, 40.0)),
    "header silent": Conditions(header_tells_technique=0.0, image_tells_teeth=0.0),
    "evenly spaced": Conditions(between_views_s=(40.0, 40.0), header_tells_technique=0.0),
    "many lost": Conditions(image_lost=0.25, ended_early=0.15, foreign_image=0.15),
    "drift 200 ppm": Conditions(drift_ppm=200.0),
    "generator set": Conditions(clock_set="generator"),
    "station set": Conditions(clock_set="station"),
    "hour wrong": Conditions(hour_error="all day", largest_offset_s=60.0),
    "hour mended": Conditions(hour_error="mended in mid-day", largest_offset_s=60.0),
    "two generators": Conditions(generators=2),
    "two stations": Conditions(stations=2),
    "retakes at once": Conditions(retake_at_once=0.1),
    "event uid told": Conditions(event_uid_told=0.8),
    "plates in order": Conditions(plates=0.4),
    "plates shuffled": Conditions(plates=0.4, scan_order="any"),
    "bulk import": Conditions(imported_at_once=25),
    "sensor lent": Conditions(sensor_lent=True),
}
"""Settings and the calibration rest on these, seeds below ``FIRST_HELD_OUT_SEED``."""

HELD_OUT: Final[dict[str, Conditions]] = {
    "drift 500 ppm": Conditions(drift_ppm=500.0, largest_offset_s=120.0),
    "drift and set": Conditions(drift_ppm=150.0, clock_set="station", whole_seconds=True),
    "set, no counter": Conditions(clock_set="generator", counter_told=False),
    "two of each": Conditions(generators=2, stations=2, jitter_s=1.5),
    "slow sensor": Conditions(usual_delay_s=11.0, jitter_s=2.0),
    "ten minutes off": Conditions(largest_offset_s=600.0),
    "hurried, lossy": Conditions(
        between_patients_s=(5.0, 60.0),
        between_views_s=(15.0, 45.0),
        image_lost=0.12,
        foreign_image=0.08,
        foreign_tells=0.8,
    ),
    "hour, two boxes": Conditions(generators=2, hour_error="all day", drift_ppm=50.0),
    "all at once": Conditions(
        drift_ppm=100.0,
        generators=2,
        plates=0.2,
        retake_at_once=0.03,
        image_lost=0.08,
        foreign_image=0.05,
        whole_seconds=True,
    ),
    "two short cats": Conditions(patients=2, views_per_patient=3),
}
"""Never looked at while tuning."""

FIRST_HELD_OUT_SEED: Final = 1_000_000

# How often a day is of a kind, where days are mixed: most are ordinary. Ours, no published source.
_ORDINARY_DAYS: Final = 0.6


def mixed(seed: int, among: dict[str, Conditions]) -> Conditions:
    """Draw the conditions of one day out of many; figures vary around those named."""
    rng = random.Random(f"mixed-{seed}")
    given = Conditions() if rng.random() < _ORDINARY_DAYS else rng.choice(list(among.values()))
    changes: dict[str, Any] = {
        "jitter_s": given.jitter_s * rng.uniform(0.6, 1.4),
        "usual_delay_s": given.usual_delay_s * rng.uniform(0.5, 1.5),
        "image_lost": given.image_lost * rng.uniform(0.3, 1.7),
        "foreign_image": given.foreign_image * rng.uniform(0.3, 1.7),
        "patients": max(1, given.patients + rng.randint(-2, 2)) if given.patients > 2 else 1,
    }
    return replace(given, **changes)
