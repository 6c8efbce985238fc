"""Exposures and images that name the same irradiation event: an exact link, if it is plausible."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from typing import Final

from services.assessment.clock_offset import Floats
from services.assessment.link_judgement import Link, content_reasons
from services.assessment.pairing_scores import Exposure, Image, technique_agrees

_EVENT_WITHIN_S: Final = 120.0
"""Such an image is yet expected near its exposure, in seconds, but for a scanned plate's."""

_CONFIDENCE, _CONFIDENCE_AGAINST = 0.9999, 0.5


def links_by_event(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    exposure_s: Floats,
    image_s: Floats,
    scanned: Collection[int],
    settled: Collection[str],
) -> list[Link]:
    """Link by Irradiation Event UID (0008,3010); what speaks against one leaves it to a person.

    Times are on one clock. ``scanned`` are places of images scanned in a batch, ``settled`` keys
    of members that a person has decided.
    """
    named = Counter(exposure.event for exposure in exposures)
    exposure_of: dict[str, int] = {}
    for place, exposure in enumerate(exposures):
        if exposure.event is not None and exposure.key not in settled:
            exposure_of.setdefault(exposure.event, place)
    links: list[Link] = []
    used: set[str] = set()
    for place, image in enumerate(images):
        found = exposure_of.get(image.event) if image.event is not None else None
        if found is None or image.key in settled:
            continue
        exposure = exposures[found]
        anytime = bool(exposure.plate) or place in scanned
        apart_s = 0.0 if anytime else abs(float(image_s[place] - exposure_s[found]))
        against = list(_against(exposure, image, apart_s))
        if named[image.event] > 1:
            against.append("another exposure names this event too")
        if exposure.key in used and not against:
            against = ["another image names this event too"]
        if not against:
            used.add(exposure.key)
        confidence = _CONFIDENCE_AGAINST if against else _CONFIDENCE
        reasons = ("both name the same irradiation event", *content_reasons(exposure, image))
        links.append(Link(exposure.key, image.key, confidence, not against, (*reasons, *against)))
    return links


def _against(exposure: Exposure, image: Image, apart_s: float) -> Iterator[str]:
    if technique_agrees(exposure, image) is False:
        yield "yet the technique differs"
    if exposure.study is not None and exposure.study != image.study:
        yield "yet the station told this exposure for another study"
    if apart_s > _EVENT_WITHIN_S:
        yield f"yet their times are {apart_s:.0f} s apart once the clocks are aligned"
