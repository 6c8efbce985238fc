"""Tells facts to the service's HTTP door, as any device or desk would."""

from datetime import datetime
from typing import Any

import httpx


class NotKept(Exception):  # noqa: N818
    """The service did not keep a fact; says which and why."""


class HttpTeller:
    """One holder of a token. ``invented_token`` is worth nothing outside the demo."""

    def __init__(self, url: str, holder: str) -> None:
        self._client = httpx.Client(
            base_url=url,
            headers={"Authorization": f"Bearer {invented_token(holder)}"},
            timeout=120.0,
        )

    def tell(
        self,
        kind: str,
        occurred_at: datetime,
        payload: dict[str, Any],
        version: int = 1,
        signs: bool = False,
        **envelope: Any,
    ) -> dict[str, Any]:
        """Tell one fact and wait until it is kept. Who signs shows the token once more."""
        offer = {
            "kind": kind,
            "schema_version": version,
            "occurred_at": occurred_at.isoformat(),
            "payload": payload,
            **envelope,
        }
        shown = {"Signing-Authorization": self._client.headers["Authorization"]} if signs else {}
        response = self._client.post("/facts", json=[offer], headers=shown)
        answer = response.json()
        outcomes = answer if isinstance(answer, list) else answer.get("results", [answer])
        for outcome in outcomes:
            if outcome.get("outcome") not in {"accepted", "already_known"}:
                raise NotKept(f"{kind}: {response.status_code} {outcome}")
        first: dict[str, Any] = outcomes[0]
        return first


def invented_token(holder: str) -> str:
    return f"invented-token-of-{holder}"
