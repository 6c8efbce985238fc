"""The ledger of a study: charges and the credits that reverse them, never an edit.

Pure: from the entries so far and what is to be charged now it gives the entries to add.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from schemas.conclusions import ChargeLine, EntryType, LedgerEntry


@dataclass(frozen=True, slots=True)
class Account:
    """Whom the charges of a study are for, and the day of the work."""

    study_instance_uid: str
    patient_id: str
    account: str | None
    service_day: date


def bring_up_to(
    entries: Sequence[LedgerEntry], lines: Sequence[ChargeLine], owner: Account
) -> tuple[LedgerEntry, ...]:
    """Give the entries to add, so that what stands is exactly ``lines`` for ``owner``.

    A line that stands already is left alone; one that no longer holds is reversed by a credit
    of the same amount; a new one is charged. Where nothing changed the result is empty.
    """
    wanted = Counter(_identity_of_line(line, owner) for line in lines)
    added: list[LedgerEntry] = []
    reversed_now: list[LedgerEntry] = []
    for charge in standing(entries):
        identity = _identity(charge)
        if wanted[identity] > 0:
            wanted[identity] -= 1
        else:
            reversed_now.append(charge)
            added.append(_credit(charge, _key(owner, len(entries) + len(added) + 1)))
    for line in lines:
        identity = _identity_of_line(line, owner)
        if wanted[identity] > 0:
            wanted[identity] -= 1
            key = _key(owner, len(entries) + len(added) + 1)
            added.append(_charge(line, owner, key, _replaced(line, reversed_now)))
    return tuple(added)


def _replaced(line: ChargeLine, reversed_now: list[LedgerEntry]) -> str | None:
    """Take the reversed charge in whose place a line comes: of its code, else of its images."""
    same_code = [charge for charge in reversed_now if charge.code == line.code]
    images = set(line.images)
    found = same_code or [charge for charge in reversed_now if images & set(charge.images)]
    if not found:
        return None
    reversed_now.remove(found[0])
    return found[0].posting_key


def standing(entries: Sequence[LedgerEntry]) -> tuple[LedgerEntry, ...]:
    """Give the charges that no credit has reversed."""
    reversed_keys = {entry.reverses for entry in entries}
    return tuple(
        entry
        for entry in entries
        if entry.type is EntryType.CHARGE and entry.posting_key not in reversed_keys
    )


def balance(entries: Sequence[LedgerEntry]) -> Decimal:
    """Sum the ledger: charges less credits."""
    return sum((entry.signed_amount for entry in entries), Decimal("0.00"))


_Identity = tuple[object, ...]
"""What makes a charge that charge; its wording may change without a new posting."""


def _identity(entry: LedgerEntry) -> _Identity:
    return (
        entry.code,
        entry.quantity,
        entry.amount,
        entry.tax_percent,
        entry.images,
        entry.facts,
        entry.service_day,
        entry.patient_id,
        entry.account,
    )


def _identity_of_line(line: ChargeLine, owner: Account) -> _Identity:
    return (
        line.code,
        line.quantity,
        line.amount,
        line.tax_percent,
        line.images,
        line.facts,
        owner.service_day,
        owner.patient_id,
        owner.account,
    )


def _key(owner: Account, number: int) -> str:
    """Number the entries of a study from 1, so that a key is never used twice."""
    return f"charge:{owner.study_instance_uid}:{number}"


def _charge(line: ChargeLine, owner: Account, key: str, replaces: str | None) -> LedgerEntry:
    return LedgerEntry(
        posting_key=key,
        type=EntryType.CHARGE,
        replaces=replaces,
        patient_id=owner.patient_id,
        account=owner.account,
        code=line.code,
        description=line.description,
        quantity=line.quantity,
        amount=line.amount,
        service_day=owner.service_day,
        reason=line.reason,
        tax_percent=line.tax_percent,
        tax_amount=line.tax_amount,
        images=line.images,
        facts=line.facts,
    )


def _credit(charge: LedgerEntry, key: str) -> LedgerEntry:
    """Reverse a charge where it was posted: the same patient, account, day and amount."""
    return charge.model_copy(
        update={
            "posting_key": key,
            "type": EntryType.CREDIT,
            "reverses": charge.posting_key,
            "replaces": None,
            "reason": f"reverses {charge.posting_key}: the study's charges changed",
        }
    )
