"""To which study an exposure without image belongs: told by the images around it, or to none."""

from bisect import bisect_right
from collections.abc import Iterable
from typing import Final

NEIGHBOUR_WITHIN_S: Final = 900.0
"""How near in time an image must be to speak for an exposure, in seconds. A default of ours."""

ONE_SIDED_WITHIN_S: Final = 300.0
"""The same where images stand on one side only: the next patient may be on the table."""


class UnderWay:
    """The room's images by time on the exposures' clock, each with its study."""

    def __init__(self, images: Iterable[tuple[float, str]]) -> None:
        self._images = sorted(images)
        self._times = [at_s for at_s, _ in self._images]

    def study_at(self, at_s: float) -> str | None:
        """Tell which study was under way at a moment; None where that is not plain.

        With images near on both sides, both must be of one study. With images on one side only,
        the nearest must be quite near and no other study within reach.
        """
        place = bisect_right(self._times, at_s)
        before = self._near(at_s, self._images[:place][-1:])
        after = self._near(at_s, self._images[place : place + 1])
        if before is not None and after is not None:
            return before[1] if before[1] == after[1] else None
        nearest = before or after
        if nearest is None or abs(nearest[0] - at_s) > ONE_SIDED_WITHIN_S:
            return None
        within = {
            study for told_s, study in self._images if abs(told_s - at_s) <= NEIGHBOUR_WITHIN_S
        }
        return nearest[1] if len(within) == 1 else None

    def why_none(self, at_s: float) -> str:
        """Name why no study was plainly under way, as a code of ``loose``."""
        place = bisect_right(self._times, at_s)
        before = self._near(at_s, self._images[:place][-1:])
        after = self._near(at_s, self._images[place : place + 1])
        if before is None and after is None:
            return "no-image-near"
        return "between-studies" if before is not None and after is not None else "one-sided"

    @staticmethod
    def _near(at_s: float, images: list[tuple[float, str]]) -> tuple[float, str] | None:
        return next((i for i in images if abs(i[0] - at_s) <= NEIGHBOUR_WITHIN_S), None)
