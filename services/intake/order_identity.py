"""What follows from an order's number alone: its study, its accession number, its revision.

Nothing here is drawn or counted, so an order that is told again, late or by another way gets
the same answer.
"""

import base64
import hashlib
import uuid
from datetime import UTC, datetime
from typing import Final

_NAMESPACE: Final = uuid.UUID("2a1e3f7c-6f0b-5d4e-9a55-0d6c7e1b8f42")
"""Ours, drawn once. To change it would give every order another study."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
LONGEST_ACCESSION_NUMBER = 16
"""Accession Number (0008,0050) is of VR SH: at most 16 characters (PS3.5 section 6.2)."""


def study_uid(site: str, order_id: str) -> str:
    """Make the Study Instance UID of an order that brings none.

    A UUID as a UID under 2.25 (PS3.5 annex B.2); the UUID is of version 5 (RFC 9562), from
    site and order number.
    """
    return f"2.25.{uuid.uuid5(_NAMESPACE, f'{site}:{order_id}').int}"


def accession_number(order_id: str) -> str:
    """Make the accession number of an order that brings none: its number, or a hash of it."""
    if len(order_id) <= LONGEST_ACCESSION_NUMBER and order_id.isascii() and "\\" not in order_id:
        return order_id
    digest = hashlib.sha256(order_id.encode()).digest()
    return "G" + base64.b32encode(digest).decode()[: LONGEST_ACCESSION_NUMBER - 1]


def revision(changed_at: datetime) -> int:
    """Number a state of an order by the moment, on the record's own clock, that it was changed.

    Microseconds since 1970. A counter of ours would depend on the order of arrival, and a
    record's version ids need not be numbers. Two different states under one moment cannot be
    put in order by anybody: intake tells a person.
    """
    elapsed = changed_at - _EPOCH
    micros = (elapsed.days * 86_400 + elapsed.seconds) * 1_000_000 + elapsed.microseconds
    return max(micros, 1)
