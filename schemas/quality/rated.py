"""The images of one assessed study, as the rates count them."""

from collections.abc import Iterator

from schemas.conclusions import ImageUse, StudyAssessed
from schemas.quality.rates import RatedImage


def rated_images(study: StudyAssessed) -> Iterator[RatedImage]:
    """Give a study's images for the rates; none of a training study.

    The operator is that of the linked exposure; the device the sensor, else the station. An image
    repeats where a repeat was found that it makes again.
    """
    if study.training:
        return
    operators = {one.sop_instance_uid: one.operator for one in study.exposures}
    titles = {view.view: view.title for view in study.views}
    again = {repeat.again for repeat in study.repeats}
    for image in study.images:
        rejected = image.use is ImageUse.REJECTED
        yield RatedImage(
            day=study.day,
            rejected=rejected,
            repeat=image.sop_instance_uid in again,
            reason=rejection_reason(image.words) if rejected else None,
            operator=operators.get(image.sop_instance_uid) if image.exposure_key else None,
            view=titles.get(image.view or "", image.view),
            device=image.sensor or image.station,
        )


def rejection_reason(words: str) -> str:
    """Take the coded reason of a rejected image, and leave out what a person added to it."""
    return words.removeprefix("rejected: ").split(",", maxsplit=1)[0]
