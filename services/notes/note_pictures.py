"""The small pictures of a note's views, from the images that are kept on this machine."""

from datetime import timedelta
from pathlib import Path

from schemas.group import Site
from services.notes.pdf import ViewPicture
from services.notes.study_shown import ShownImage, StudyShown
from services.notes.thumbnails import NOT_HERE, Thumbnail, thumbnail


def view_pictures(shown: StudyShown, site: Site, folder: Path) -> list[ViewPicture]:
    """Give the small picture of each view's image, in the order of the plan."""
    titles = {view.view: view.title for view in shown.views}
    return [
        ViewPicture(titles.get(one.view or "", one.view or ""), _picture(one, site, folder))
        for one in shown.images_of_views()
    ]


def _picture(image: ShownImage, site: Site, folder: Path) -> Thumbnail:
    """Look where intake keeps it: by the day of the image's own clock, which may be off."""
    acquired = image.acquired_at.astimezone(site.zone)
    for days in (0, -1, 1):
        day = acquired + timedelta(days=days)
        path = folder / site.name / f"{day:%Y/%m/%d}" / f"{image.sop_instance_uid}.dcm"
        if path.is_file():
            return thumbnail(path)
    return Thumbnail(None, NOT_HERE)
