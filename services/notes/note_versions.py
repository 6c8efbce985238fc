"""The versions of a note as documents: told revisions that say the same are one of them."""

from collections.abc import Mapping
from typing import NamedTuple


class Version(NamedTuple):
    """A version and the one before it, each by the first revision that told it."""

    revision: int
    before: int | None


def version_at(revision: int, written: Mapping[int, str]) -> Version:
    """Give the version that was told at a revision.

    ``written`` tells by revision what the record would hold of it: a revision that changes
    nothing of that, as the record's answer does, is no new version. One that says again what an
    earlier one said is.
    """
    told = {at: digest for at, digest in written.items() if at <= revision}
    told.setdefault(revision, "")
    starts: list[int] = []
    last: str | None = None
    for at in sorted(told):
        if told[at] != last:
            starts.append(at)
        last = told[at]
    return Version(starts[-1], starts[-2] if len(starts) > 1 else None)
