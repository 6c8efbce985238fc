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
    new: list[ChargeLine] = []
    for line in lines:
        identity = _identity_of_line(line, owner)
        if wanted[identity] > 0:
            wanted[identity] -= 1
            new.append(line)
    for line, replaces in zip(new, _replaced(new, reversed_now), strict=True):
        key = _key(owner, len(entries) + len(added) + 1)
        added.append(_charge(line, owner, key, replaces))
    return tuple(added)


def _replaced(new: Sequence[ChargeLine], reversed_now: Sequence[LedgerEntry]) -> list[str | None]:
    """Say of each new line in the place of which reversed charge it comes, if of any.

    One of the same code is meant before one that rests on the same images.
    """
    left = list(reversed_now)
    found: dict[int, str] = {}
    for same in (_same_code, _same_images):
        for place, line in enumerate(new):
            charge = next((one for one in left if same(one, line)), None)
            if place not in found and charge is not None:
                found[place] = charge.posting_key
                left.remove(charge)
    return [found.get(place) for place in range(len(new))]


def _same_code(charge: LedgerEntry, line: ChargeLine) -> bool:
    return charge.code == line.code


def _same_images(charge: LedgerEntry, line: ChargeLine) -> bool:
    return not set(charge.images).isdisjoint(line.images)


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
