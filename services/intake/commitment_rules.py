"""Storage commitment: what was asked for, what is held, and the report on it.

Pure. DICOM PS3.4 annex J: one N-EVENT-REPORT with every instance that was asked for, event type 1
where all are held and 2 where some are not (J.3.3.1.2, read), each of those with a failure reason
(PS3.3 section C.14.1.1, numbers from memory, meanings read in PS3.2 table N.5-16).
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from services.intake.image_values import Values

COMMITMENT_CLASS: Final = "1.2.840.10008.1.20.1"
COMMITMENT_INSTANCE: Final = "1.2.840.10008.1.20.1.1"
"""The push model's SOP class and its one well-known instance (PS3.4 J.3.5)."""

REQUEST_ACTION: Final = 1
ALL_HELD, SOME_NOT_HELD = 1, 2

NO_SUCH_OBJECT: Final = 0x0112
CLASS_CONFLICT: Final = 0x0119
CLASS_NOT_SUPPORTED: Final = 0x0122
DUPLICATE_TRANSACTION: Final = 0x0131

_MOST_INSTANCES = 10_000


@dataclass(frozen=True, slots=True)
class Reference:
    """One instance that a station wants to be kept safe."""

    sop_class_uid: str
    sop_instance_uid: str


@dataclass(frozen=True, slots=True)
class CommitmentRequest:
    """What a station asks under one transaction UID."""

    transaction_uid: str
    references: tuple[Reference, ...]

    @property
    def sha256(self) -> str:
        """Tell one request from another under the same transaction UID, whatever the order."""
        pairs = sorted((one.sop_class_uid, one.sop_instance_uid) for one in self.references)
        return sha256(json.dumps(pairs).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer for one instance: ``failure_reason`` is None where it is held."""

    reference: Reference
    failure_reason: int | None


def read_request(told: Dataset) -> CommitmentRequest:
    """Read the action information of an N-ACTION.

    Raises
    ------
    InvalidInput
        Transaction UID or a reference is missing or is no UID.
    """
    values = Values(told)
    transaction = values.required("TransactionUID", values.uid, "a UID")
    items = values.items("ReferencedSOPSequence")
    if not 1 <= len(items) <= _MOST_INSTANCES:
        raise InvalidInput(
            "ReferencedSOPSequence (0008,1199)", len(items), f"1 to {_MOST_INSTANCES} items"
        )
    references = tuple(
        Reference(
            item.required("ReferencedSOPClassUID", item.uid, "a UID"),
            item.required("ReferencedSOPInstanceUID", item.uid, "a UID"),
        )
        for item in items
    )
    return CommitmentRequest(transaction, references)


def judge(
    references: Sequence[Reference],
    held: Mapping[str, Collection[str]],
    supported: Collection[str],
    *,
    duplicate: bool,
) -> list[Verdict]:
    """Say of each instance whether it is held.

    Parameters
    ----------
    held
        SOP class UIDs by SOP instance UID, of what lies whole on our disk.
    supported
        The SOP classes that we keep at all.
    duplicate
        The transaction UID was used for another request: nothing is committed under it.
    """
    return [
        Verdict(one, DUPLICATE_TRANSACTION if duplicate else _failure(one, held, supported))
        for one in references
    ]


def _failure(
    one: Reference, held: Mapping[str, Collection[str]], supported: Collection[str]
) -> int | None:
    if one.sop_class_uid not in supported:
        return CLASS_NOT_SUPPORTED
    classes = held.get(one.sop_instance_uid)
    if not classes:
        return NO_SUCH_OBJECT
    return None if one.sop_class_uid in classes else CLASS_CONFLICT


def report_of(transaction_uid: str, verdicts: Sequence[Verdict]) -> tuple[int, Dataset]:
    """Make the report: its event type and its event information."""
    report = Dataset()
    report.TransactionUID = transaction_uid
    kept = [_item(one) for one in verdicts if one.failure_reason is None]
    failed = [_item(one) for one in verdicts if one.failure_reason is not None]
    if kept:
        report.ReferencedSOPSequence = kept
    if failed:
        report.FailedSOPSequence = failed
    return SOME_NOT_HELD if failed else ALL_HELD, report


def _item(verdict: Verdict) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = verdict.reference.sop_class_uid
    item.ReferencedSOPInstanceUID = verdict.reference.sop_instance_uid
    if verdict.failure_reason is not None:
        item.FailureReason = verdict.failure_reason
    return item
