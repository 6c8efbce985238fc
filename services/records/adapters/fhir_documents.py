"""The documents of one note in a FHIR server: each replaces the one before it. Pure.

FHIR R4 (read: value sets document-relationship-type and document-reference-status, 4.0.1):
``replaces``, 'this document logically replaces or supersedes the target document', and
``superseded``, 'this reference has been superseded by another reference'. That the sender itself
marks the older one, with the newer one in the same transaction, is as in IHE MHD (ITI-65, replace;
read in its issue 197, which would patch the status where we update it under its ETag).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from services.records.adapters.fhir_names import Names, Resource, reference_of
from services.records.adapters.fhir_note import revision_of

_CURRENT = "current"
_SUPERSEDED = "superseded"
_IN_ERROR = "entered-in-error"


@dataclass(frozen=True, slots=True)
class HeldDocuments:
    """What the record holds of a note: ``documents`` are those of its patient, of any revision."""

    documents: Sequence[Resource]
    names: Names

    def relate(self, document: Resource, revision: int) -> None:
        """Say in a new document what it replaces, and that it is old where a newer one is held."""
        before = [one for one in self._standing() if revision_of(one, self.names) < revision]
        if before:
            newest = max(before, key=lambda one: revision_of(one, self.names))
            target = {"reference": reference_of(newest)}
            document["relatesTo"] = [{"code": "replaces", "target": target}]
        if self._newest() > revision:
            document["status"] = _SUPERSEDED

    def outdated(self, revision: int) -> list[Resource]:
        """Give, as superseded, each that is older than ``revision`` or than what is held.

        All else in it stays as the record has it.
        """
        newest = max(revision, self._newest())
        return [
            {**one, "status": _SUPERSEDED}
            for one in self.documents
            if one.get("status") == _CURRENT and revision_of(one, self.names) < newest
        ]

    def _standing(self) -> list[Resource]:
        return [one for one in self.documents if one.get("status") != _IN_ERROR]

    def _newest(self) -> int:
        return max((revision_of(one, self.names) for one in self._standing()), default=0)
