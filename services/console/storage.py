"""How much the images of each day take, as sums to be added. Pure."""

from collections import Counter
from datetime import date
from typing import Any


class StorageSums:
    """What a batch adds to the day's images and bytes, by the day that they were acquired."""

    def __init__(self) -> None:
        self._images: Counter[tuple[date, str]] = Counter()
        self._bytes: Counter[tuple[date, str]] = Counter()

    def add(self, site: str, day: date, size_bytes: int) -> None:
        self._images[day, site] += 1
        self._bytes[day, site] += size_bytes

    def rows(self) -> list[dict[str, Any]]:
        return [
            {"day": day, "site": site, "images": number, "bytes": self._bytes[day, site]}
            for (day, site), number in sorted(self._images.items())
        ]
