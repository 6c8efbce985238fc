"""The small pictures of a note's views, from the images that are kept on this machine."""

from pathlib import Path

from schemas.group import Site
from services.notes.pdf import ViewPicture
from services.notes.study_shown import ShownImage, StudyShown
from services.runtime.kept_images import find_image
from services.runtime.thumbnails import NOT_HERE, Thumbnail, thumbnail


def view_pictures(shown: StudyShown, site: Site, folder: Path) -> list[ViewPicture]:
    """Give the small picture of each view's image, in the order of the plan."""
    titles = {view.view: view.title for view in shown.views}
    return [
        ViewPicture(titles.get(one.view or "", one.view or ""), _picture(one, site, folder))
        for one in shown.images_of_views()
    ]


def _picture(image: ShownImage, site: Site, folder: Path) -> Thumbnail:
    found = find_image(folder, site, image.sop_instance_uid, image.acquired_at)
    return thumbnail(found) if found is not None else Thumbnail(None, NOT_HERE)
