"""Effects and corrections as JSON for the store, and back."""

import json
from dataclasses import asdict
from datetime import date
from decimal import Decimal
from typing import Any

from services.charges.compared import Expected
from services.charges.effects import Correction, Effect


def correction_json(one: Correction, currency: str) -> str:
    return json.dumps(asdict(one) | {"currency": currency}, default=str, sort_keys=True)


def correction_expected(body: str) -> tuple[Expected, str]:
    """Read a correction as what the record should hold, and its currency."""
    told = json.loads(body)
    entry = Expected(
        key=told["key"],
        study=told["study"] or "",
        patient=told["patient"],
        day=date.fromisoformat(told["day"]),
        code=told["code"],
        quantity=1,
        amount=Decimal(told["amount"]),
        corrects=told["corrects"],
    )
    return entry, str(told["currency"])


def effect_json(effect: Effect, currency: str) -> str:
    """Write an effect, with whom it rests on, for the store and for the audit."""
    return json.dumps(effect_dict(effect, currency), sort_keys=True)


def effect_dict(effect: Effect, currency: str) -> dict[str, Any]:
    decision = effect.force.decision
    told = {
        "exception_id": effect.exception_id,
        "kind": effect.kind.value,
        "day": effect.day,
        "at_stake": effect.at_stake,
        "shortfall": effect.shortfall,
        "currency": currency,
        "action": decision.action.value,
        "reason": decision.reason,
        "decided_by": decision.person,
        "decided_at": decision.at,
        "countersigned_by": effect.force.second,
        "again": effect.again,
        "corrections": [asdict(one) for one in effect.corrections],
        "assigned": effect.assigned,
    }
    plain: dict[str, Any] = json.loads(json.dumps(told, default=str))
    return plain
