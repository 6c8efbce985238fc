"""Where an image is kept below the folder of images: the contract between intake, who writes, and
whoever reads."""

from datetime import datetime, timedelta
from pathlib import Path

from schemas.group import Site


def image_place(site: Site, sop_instance_uid: str, acquired_at: datetime) -> Path:
    """Give an image's path in the folder: by site and by the site's own day of its acquisition.

    The site's name and the UID are checked by their contracts: letters, digits, dots and hyphens.
    """
    day = acquired_at.astimezone(site.zone)
    return Path(site.name, f"{day:%Y}", f"{day:%m}", f"{day:%d}", f"{sop_instance_uid}.dcm")


def find_image(
    folder: Path, site: Site, sop_instance_uid: str, acquired_at: datetime
) -> Path | None:
    """Find an image's file, or None.

    Also on the days beside: ``acquired_at`` may be corrected by the clock's offset, the place is
    by the image's own clock.
    """
    acquired = acquired_at.astimezone(site.zone)
    for days in (0, -1, 1):
        moment = acquired + timedelta(days=days)
        path = folder / image_place(site, sop_instance_uid, moment)
        if path.is_file():
            return path
    return None
