"""Links of plates that were scanned in a batch, and whose plates exposures are."""

from collections.abc import Sequence

from services.assessment.batch_scans import BatchLinks
from services.assessment.link_judgement import (
    ACCEPTED_OF_A_BATCH_FROM,
    PROPOSED_FROM,
    Link,
    content_reasons,
)
from services.assessment.pairing_scores import Exposure
from services.assessment.weighed_room import WeighedRoom


def scanned_links(room: WeighedRoom, scan: BatchLinks) -> list[Link]:
    """Turn what a batch's order and content tell into links, accepted or proposed.

    Their probability holds in simulated rooms as it is, and needs no map as that of times does.
    """
    links: list[Link] = []
    for (i, j), confidence in scan.pairs:
        exposure, image = room.exposures[i], room.images[j]
        reasons = [
            f"one of {len(scan.batch.images)} images scanned together, after the exposure",
            *content_reasons(exposure, image),
        ]
        beside = i in scan.doubtful
        accepted = scan.plain and not beside and confidence >= ACCEPTED_OF_A_BATCH_FROM
        if beside:
            reasons.append("nearer to plates of another study than to the rest of these")
        elif confidence < ACCEPTED_OF_A_BATCH_FROM:
            reasons.append("the order of the plates is not plain")
        elif not scan.plain:
            reasons.append("other exposures may have been on these plates")
        if accepted or confidence >= PROPOSED_FROM:
            links.append(Link(exposure.key, image.key, confidence, accepted, tuple(reasons)))
    return links


def scanned_study(scans: Sequence[BatchLinks], exposures: Sequence[Exposure]) -> dict[str, str]:
    """Tell whose the plates are: those before a batch, where no other batch could have them."""
    studies: dict[str, set[str]] = {}
    for scan in scans:
        for place in scan.spanned if scan.plain else ():
            studies.setdefault(exposures[place].key, set()).add(scan.batch.study)
    return {key: next(iter(told)) for key, told in studies.items() if len(told) == 1}
