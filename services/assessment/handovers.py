"""Where sensors are: a sensor lent to another room takes its images there.

An image names the room of the station that stored it. Where that image's sensor was handed to
another room before, on the same day of the site, the exposure was made in that room. At the end
of the day a sensor counts as back in its place (common practice, no published source).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from schemas.facts import ImageStored, SensorHanded
from schemas.group import Site
from services.assessment.counting import Fact, told


@dataclass(frozen=True, slots=True)
class Handovers:
    """Handovers by sensor in time order: when, to which room, and the fact's natural key."""

    site: Site | None = None
    by_sensor: Mapping[str, tuple[tuple[datetime, str, str], ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, facts: Iterable[Fact], site: Site) -> "Handovers":
        by_sensor: dict[str, list[tuple[datetime, str, str]]] = {}
        for fact, handed in told(facts, SensorHanded):
            one = (fact.occurred_at, handed.to_room, fact.natural_key)
            by_sensor.setdefault(handed.sensor, []).append(one)
        return cls(site, {sensor: tuple(sorted(set(ones))) for sensor, ones in by_sensor.items()})

    def room_of(self, image: ImageStored) -> str | None:
        """Tell in which room an image was made; None where its station has none."""
        handed = self._last(image)
        return handed[1] if handed is not None else image.room

    def fact_behind(self, image: ImageStored) -> str | None:
        """Give the handover that an image's room rests on, if any."""
        handed = self._last(image)
        return handed[2] if handed is not None else None

    def _last(self, image: ImageStored) -> tuple[datetime, str, str] | None:
        if image.sensor is None or self.site is None:
            return None
        zone, at = self.site.zone, image.acquired_at
        before = [
            one
            for one in self.by_sensor.get(image.sensor, ())
            if one[0] <= at and one[0].astimezone(zone).date() == at.astimezone(zone).date()
        ]
        return before[-1] if before else None


NO_HANDOVERS = Handovers()
