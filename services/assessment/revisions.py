"""When a conclusion is told anew: its digest, and the revision after the one that is kept."""

import hashlib

from schemas.conclusions import RoomDayAssessed, StudyAssessed
from services.assessment.store import Kept


def digest_of(conclusion: StudyAssessed | RoomDayAssessed) -> str:
    """Hash what is concluded, without its revision and what that changed: the same conclusion,
    the same digest."""
    told = conclusion.model_dump_json(exclude={"revision", "changes"})
    return hashlib.sha256(told.encode()).hexdigest()


def next_kept(before: Kept | None, conclusion: StudyAssessed | RoomDayAssessed) -> Kept | None:
    """Give revision and digest of a conclusion; None where it is what was said last."""
    digest = digest_of(conclusion)
    if before is not None and before.digest == digest:
        return None
    return Kept(before.revision + 1 if before is not None else conclusion.revision, digest)
