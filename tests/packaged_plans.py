"""The packaged view plans, and plans as plain data that a test may spoil."""

import json
from typing import Any

from schemas.plans import Plan, load_plans

PLANS = load_plans()


def as_data(plan: Plan) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(plan.model_dump_json())
    return data


def from_data(data: dict[str, Any]) -> Plan:
    return Plan.model_validate_json(json.dumps(data))
