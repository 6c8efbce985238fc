"""The versions of a note as documents: told revisions that say the same are one of them."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Version(NamedTuple):
    """A version, by the first revision that told it, and the report of the one before it.

    ``before`` is the UID that the structured report of that one had when it was told last; None
    where there is none, or where it was not kept yet.
    """

    revision: int
    before: str | None = None


def version_at(
    revision: int, written: Mapping[int, str], reports: Mapping[int, str] = MappingProxyType({})
) -> Version:
    """Give the version that was told at a revision.

    ``written`` tells by revision what the record would hold of it: a revision that changes
    nothing of that, as the record's answer does, is no new version. One that says again what an
    earlier one said is. ``reports`` tells by revision the UID of its structured report.
    """
    told = {at: digest for at, digest in written.items() if at <= revision}
    told.setdefault(revision, "")
    start, last = revision, told[revision]
    for at in sorted(told, reverse=True):
        if told[at] != last:
            return Version(start, reports.get(at))
        start = at
    return Version(start)
