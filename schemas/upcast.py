"""Older message versions, brought up to date one step at a time.

An upcaster takes a payload of one version and gives that of the next. It is pure, and it is
kept for ever: a message of any age in a queue, a file or the store must stay readable.
"""

from collections.abc import Callable
from typing import Any

Payload = dict[str, Any]
Upcaster = Callable[[Payload], Payload]

_LONGEST_S = 60_000.0


def _exposure_ended_seconds_to_milliseconds(old: Payload) -> Payload:
    """Version 1 told times in seconds and had no set time: what was set was delivered."""
    new = {name: value for name, value in old.items() if name != "exposure_s"}
    seconds = old.get("exposure_s")
    if isinstance(seconds, int | float) and not isinstance(seconds, bool):
        if not 0 <= seconds <= _LONGEST_S:
            # No exposure at all: passed on as told, for the contract of today to refuse.
            new["exposure_ms"] = new["set_exposure_ms"] = seconds
            return new
        # Rounded to the microsecond: 0.12 s is 120 ms, not 119.99999999999999 ms.
        new["exposure_ms"] = new["set_exposure_ms"] = round(seconds * 1000.0, 3)
    return new


def _ledger_entries_name_their_patient(old: Payload) -> Payload:
    """Version 1 left out whom an entry was for where that was the study's patient."""
    ledger = old.get("ledger")
    if not isinstance(ledger, list):
        return old
    owner = {"patient_id": old.get("patient_id"), "account": old.get("account")}
    return old | {
        "ledger": [
            entry | owner if isinstance(entry, dict) and not entry.get("patient_id") else entry
            for entry in ledger
        ]
    }


UPCASTERS: dict[tuple[str, int], Upcaster] = {
    ("exposure_ended", 1): _exposure_ended_seconds_to_milliseconds,
    ("charges_assessed", 1): _ledger_entries_name_their_patient,
}
"""By kind and the version that is read."""


def upcast(kind: str, version: int, to_version: int, payload: Payload) -> Payload:
    """Bring a payload of ``kind`` from ``version`` to ``to_version``.

    A step without an upcaster changed nothing that an older message could have held.
    """
    for step in range(version, to_version):
        change = UPCASTERS.get((kind, step))
        if change is not None:
            payload = change(payload)
    return payload
