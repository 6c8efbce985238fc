"""The assessed studies of a period, as the rates count their images."""

from collections.abc import Iterator
from datetime import date

from sqlalchemy import Connection, select

from schemas.conclusions import ImageUse, StudyAssessed
from services.assessment.reject_rates import RatedImage
from services.assessment.store import STUDY
from services.assessment.stored_period import of_period

_AT_ONCE = 200


def studies_between(
    connection: Connection, site: str | None, first: date | None, last: date | None
) -> Iterator[tuple[str, StudyAssessed]]:
    """Read the newest assessment of each study of the days ``first`` to ``last``, with its site.

    An absent site or bound leaves nothing out.
    """
    query = of_period(select(STUDY.c.site, STUDY.c.body), STUDY, site, first, last)
    rows = connection.execution_options(yield_per=_AT_ONCE).execute(query)
    for row in rows:
        yield row.site, StudyAssessed.model_validate_json(row.body)


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
            reason=_reason(image.words) if rejected else None,
            operator=operators.get(image.sop_instance_uid) if image.exposure_key else None,
            view=titles.get(image.view or "", image.view),
            device=image.sensor or image.station,
        )


def _reason(words: str) -> str:
    """Take the coded reason of a rejected image, and leave out what a person added to it."""
    return words.removeprefix("rejected: ").split(",", maxsplit=1)[0]
