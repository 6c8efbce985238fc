"""Which facts count: each once, none that was taken back, in one fixed order."""

from collections.abc import Iterable, Sequence
from typing import Final, TypeVar, cast

from schemas.envelope import Message, Payload
from schemas.facts import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    PatientMerged,
    ReadinessChecked,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)

Fact = Message[Payload]
Told = TypeVar("Told", bound=Payload)

DECISIONS: Final[tuple[type[Payload], ...]] = (
    ViewExcused,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    ToothAbsent,
    ReadinessChecked,
    StudyClosed,
    FactWithdrawn,
)
"""What a person may take back. What a device or a record told stays: dose cannot be taken back."""


class Facts(tuple[Fact, ...]):
    """Facts that were sorted out by kind once, since each rule asks for its own kinds."""

    _by_kind: dict[type[Payload], list[tuple[Fact, Payload]]]

    def of_kind(self, kind: type[Told]) -> list[tuple[Fact, Told]]:
        """Pick the facts of one kind, with their payload typed, in the order given."""
        if not hasattr(self, "_by_kind"):
            self._by_kind = {}
            for fact in self:
                self._by_kind.setdefault(type(fact.payload), []).append((fact, fact.payload))
        return cast("list[tuple[Fact, Told]]", self._by_kind.get(kind, []))


def facts_that_count(facts: Iterable[Fact]) -> Facts:
    """Give each fact once, without those withdrawn, by time and natural key.

    A withdrawal may itself be withdrawn.
    """
    by_key: dict[str, Fact] = {}
    for fact in facts:
        known = by_key.setdefault(fact.natural_key, fact)
        # Two tellings under one key: the earlier moment, so that the order of arrival is no matter.
        if known is not fact and _sorting(fact) < _sorting(known):
            by_key[fact.natural_key] = fact
    # The key of a withdrawal holds the key that it withdraws, so the longest come last in a chain.
    withdrawn: set[str] = set()
    taking_back = [key for key, fact in by_key.items() if isinstance(fact.payload, FactWithdrawn)]
    for key in sorted(taking_back, key=lambda k: (-len(k), k)):
        payload = by_key[key].payload
        if isinstance(payload, FactWithdrawn) and key not in withdrawn:
            target = by_key.get(payload.withdrawn_key)
            if target is None or isinstance(target.payload, DECISIONS):
                withdrawn.add(payload.withdrawn_key)
    return Facts(sorted((f for k, f in by_key.items() if k not in withdrawn), key=in_time))


def in_time(fact: Fact) -> tuple[float, str]:
    """Order facts by when they occurred; at a tie by natural key."""
    return fact.occurred_at.timestamp(), fact.natural_key


def _sorting(fact: Fact) -> tuple[float, str]:
    return fact.occurred_at.timestamp(), fact.payload.model_dump_json()


def told(facts: Iterable[Fact], kind: type[Told]) -> list[tuple[Fact, Told]]:
    """Pick the facts of one kind, with their payload typed, in the order given."""
    if isinstance(facts, Facts):
        return facts.of_kind(kind)
    return [(fact, fact.payload) for fact in facts if isinstance(fact.payload, kind)]


class PatientIds:
    """Patient ids as merges read them now: a retired id reads as the one that was kept."""

    def __init__(self, facts: Sequence[Fact]) -> None:
        """``facts`` in time order: of two merges of one id the later counts."""
        self._kept: dict[str, tuple[str, str]] = {}
        for fact, merge in told(facts, PatientMerged):
            self._kept[merge.retired_patient_id] = (merge.kept_patient_id, fact.natural_key)

    def current(self, patient_id: str) -> str:
        return self._follow(patient_id)[0]

    def facts_used(self, patient_id: str) -> tuple[str, ...]:
        """Natural keys of the merges that lead from this id to the current one."""
        return self._follow(patient_id)[1]

    def merges(self) -> dict[str, tuple[str, str]]:
        """Give each retired id with the one kept and the merge's natural key."""
        return dict(self._kept)

    def _follow(self, patient_id: str) -> tuple[str, tuple[str, ...]]:
        seen = [patient_id]
        keys: list[str] = []
        while seen[-1] in self._kept:
            kept, key = self._kept[seen[-1]]
            keys.append(key)
            if kept in seen:  # merged in a ring: the smallest id stands for all of them
                return min(seen), tuple(keys)
            seen.append(kept)
        return seen[-1], tuple(keys)
