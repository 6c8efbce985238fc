"""Questions about doses that do not fit what was set: one for all exposures with the same slip."""

from collections.abc import Iterator, Sequence

from schemas.conclusions import DoseDoubt, ExposureResult, Question
from services.assessment.study_exposures import StudyExposure


def dose_questions(
    exposures: Sequence[StudyExposure], results: Sequence[ExposureResult]
) -> Iterator[Question]:
    """Ask once for each kind of doubt and slip, about every exposure that it is at.

    A device that tells a wrong unit tells it each time, and a person answers it once.
    """
    by_key = {one.key: one for one in exposures}
    asked: dict[tuple[str, tuple[str, ...]], list[tuple[ExposureResult, DoseDoubt]]] = {}
    for result in results:
        for doubt in result.doubts:
            asked.setdefault((doubt.code, doubt.slips), []).append((result, doubt))
    for (code, _), found in sorted(asked.items()):
        first, doubt = found[0]
        more = f" The same of {len(found) - 1} more." if len(found) > 1 else ""
        about = {key for result, _ in found for key in _behind(by_key[result.exposure_key])}
        yield Question(
            code=code,
            words=f"Exposure of {first.occurred_at:%H:%M:%S} UTC: {doubt.words}{more}"[:2000],
            about=tuple(sorted(about)),
        )


def _behind(one: StudyExposure) -> Iterator[str]:
    """The facts that told an exposure; its image too where a figure stands in its header only."""
    yield one.key
    yield from one.others
    image, told = one.image, one.told
    if image is None:
        return
    of_header = (
        (told.reported_kerma_mgy, image.entrance_kerma_mgy),
        (told.reported_kap_mgycm2, image.kap_mgycm2),
    )
    if any(own is None and header is not None for own, header in of_header):
        yield image.natural_key(one.at)
