"""How much the images of each day take, as sums to be added. Pure."""

from collections import Counter
from datetime import date
from typing import Any

from services.console.tables import WHOLE_GROUP


class StorageSums:
    """What a batch adds to the day's images and bytes, by the day that they were acquired."""

    def __init__(self) -> None:
        self._images: Counter[tuple[date, str]] = Counter()
        self._bytes: Counter[tuple[date, str]] = Counter()

    def add(self, site: str, day: date, size_bytes: int) -> None:
        for place in (site, WHOLE_GROUP):
            self._images[day, place] += 1
            self._bytes[day, place] += size_bytes

    def rows(self) -> list[dict[str, Any]]:
        return [
            {"day": day, "site": site, "images": number, "bytes": self._bytes[day, site]}
            for (day, site), number in sorted(self._images.items())
        ]
