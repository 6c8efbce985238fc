"""Small pictures of the images of a study, made from intake's files and kept in bounds."""

from collections import OrderedDict
from datetime import datetime
from pathlib import Path
from threading import Lock, Semaphore
from typing import Final

from sqlalchemy import Connection, select

from schemas.conclusions import StudyAssessed
from schemas.group import Site
from services.console.tables import STUDY
from services.runtime.kept_images import find_image
from services.runtime.thumbnails import NOT_HERE, Thumbnail, thumbnail

SIDE_PIXELS: Final = 360
MOST_PIXELS_OF_A_NOTE_PICTURE: Final = 40_000_000
"""A larger image is told in words. Invented: an intraoral sensor has a few millions (memory)."""
_KEPT_BYTES: Final = 32_000_000
_KEPT_STUDIES: Final = 500
_AT_ONCE: Final = 2
"""So many images are decoded at the same time: each takes memory for all its pixels."""


class Pictures:
    """Makes and keeps small pictures, up to a sum of bytes. Safe to use from many threads."""

    def __init__(self, folder: Path, kept_bytes: int = _KEPT_BYTES) -> None:
        self._folder = folder
        self._most = kept_bytes
        self._size = 0
        self._kept: OrderedDict[tuple[str, str], Thumbnail] = OrderedDict()
        self._images: OrderedDict[tuple[str, str, int], dict[str, datetime]] = OrderedDict()
        self._lock = Lock()
        self._turns = Semaphore(_AT_ONCE)

    @property
    def kept_bytes(self) -> int:
        return self._size

    def of_study(
        self, connection: Connection, site: Site, study: str, sop_instance_uid: str
    ) -> Thumbnail | None:
        """Give the picture of an image of this study at this site; None: it has no such image."""
        acquired_at = self._own_images(connection, site.name, study).get(sop_instance_uid)
        if acquired_at is None:
            return None
        return self._picture(site, sop_instance_uid, acquired_at)

    def _own_images(self, connection: Connection, site: str, study: str) -> dict[str, datetime]:
        own = (STUDY.c.site == site, STUDY.c.study_instance_uid == study)
        revision = connection.scalar(select(STUDY.c.revision).where(*own))
        if revision is None:
            return {}
        key = (site, study, int(revision))
        with self._lock:
            found = self._images.get(key)
        if found is None:
            told = connection.scalar(select(STUDY.c.snapshot).where(*own))
            assessed = StudyAssessed.model_validate_json(told or "")
            found = {one.sop_instance_uid: one.acquired_at for one in assessed.images}
            with self._lock:
                self._images[key] = found
                while len(self._images) > _KEPT_STUDIES:
                    self._images.popitem(last=False)
        return found

    def _picture(self, site: Site, sop_instance_uid: str, acquired_at: datetime) -> Thumbnail:
        key = (site.name, sop_instance_uid)
        with self._turns:
            with self._lock:
                if key in self._kept:
                    self._kept.move_to_end(key)
                    return self._kept[key]
            path = find_image(self._folder, site, sop_instance_uid, acquired_at)
            if path is None:
                return Thumbnail(None, NOT_HERE)  # not kept: the file may still come
            made = thumbnail(path, SIDE_PIXELS, MOST_PIXELS_OF_A_NOTE_PICTURE)
            self._keep(key, made)
            return made

    def _keep(self, key: tuple[str, str], made: Thumbnail) -> None:
        with self._lock:
            self._kept[key] = made
            self._size += _bytes_of(made)
            while self._size > self._most:
                _, gone = self._kept.popitem(last=False)
                self._size -= _bytes_of(gone)


def _bytes_of(picture: Thumbnail) -> int:
    return len(picture.png or b"") + 200
