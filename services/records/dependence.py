"""What a posting has to know of another: a credit of its charge, a repost of that credit. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

from services.records.postings import ledger_entry
from services.records.store import PostingRow, PostingState, Verb


@dataclass(frozen=True, slots=True)
class Withdraw:
    """The record rejected the charge that this credit reverses: it holds nothing to take back."""

    charge: PostingRow


@dataclass(frozen=True, slots=True)
class HoldBack:
    """The record rejected the credit of the charge that this one replaces.

    Posted now, the client would be charged twice.
    """

    words: str


@dataclass(frozen=True, slots=True)
class Wait:
    """The charge that this credit reverses has no answer yet."""


Dependence = Withdraw | HoldBack | Wait | None


def depends(row: PostingRow) -> bool:
    """Tell whether a posting follows from another one."""
    return row.verb != Verb.NOTE.value and bool(
        row.body["entry"].get("reverses") or row.body["entry"].get("replaces")
    )


def dependence(row: PostingRow, study: Mapping[str, PostingRow]) -> Dependence:
    """Say what stands against posting such a row now; ``study`` are its study's postings by key."""
    entry = ledger_entry(row)
    if row.verb == Verb.REVERSE.value:
        charge = study.get(entry.reverses or "")
        if charge is None or charge.state == PostingState.POSTED.value:
            return None
        if charge.state == PostingState.WAITING.value:
            return Wait()
        return Withdraw(charge)
    credit = credit_of(entry.replaces, study) if entry.replaces is not None else None
    if credit is not None and credit.state == PostingState.REJECTED.value:
        return HoldBack(
            f"not posted: {entry.replaces}, which it replaces, still stands, for its credit "
            f"{credit.posting_key} was rejected: {credit.words}"
        )
    return None


def credit_of(charge_key: str, study: Mapping[str, PostingRow]) -> PostingRow | None:
    """Find the credit that reverses a charge; one that cannot be read is none."""
    return next(
        (
            row
            for row in study.values()
            if row.verb == Verb.REVERSE.value
            and row.body.get("entry", {}).get("reverses") == charge_key
        ),
        None,
    )
