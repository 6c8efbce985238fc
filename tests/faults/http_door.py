"""``POST`` to our HTTP door over one connection that stays open, as one holder of a token."""

from __future__ import annotations

import json
from collections.abc import Sequence
from http.client import HTTPConnection, HTTPException
from typing import Any
from urllib.parse import urlsplit

from tests.faults.patience import NotTakenError, Trouble

TIMEOUT_S = 30.0
TAKEN = ("accepted", "already_known")
Offer = dict[str, Any]


class HttpDoor:
    """For one thread."""

    def __init__(self, url: str, token: str) -> None:
        self._where = urlsplit(url).netloc
        self._headers = {
            "Authorization": f"Bearer {token}",
            "Content-Type": "application/json",
        }
        self._signing = {"Signing-Authorization": f"Bearer {token}"}
        self._connection: HTTPConnection | None = None

    def post(self, path: str, body: bytes, *, signs: bool = False) -> tuple[int, bytes]:
        """Post once; give status and body of the answer. Raises Trouble."""
        headers = self._headers | (self._signing if signs else {})
        try:
            if self._connection is None:
                self._connection = HTTPConnection(self._where, timeout=TIMEOUT_S)
            self._connection.request("POST", path, body, headers)
            answer = self._connection.getresponse()
            said = answer.read()
        except (OSError, HTTPException) as error:
            self.close()
            raise Trouble(f"POST {path}: {error!r}") from error
        if answer.will_close:
            self.close()
        return answer.status, said

    def tell(self, offers: Sequence[Offer], *, signs: bool = False) -> list[str]:
        """Tell facts once; give the receipt of each. Raises Trouble where it is worth another try.

        Raises NotTakenError where one is refused for what it says.
        """
        status, said = self.post("/facts", json.dumps(offers).encode(), signs=signs)
        if status not in {200, 207}:
            if status in {500, 502, 503, 504}:
                raise Trouble(f"/facts: {status} {said[:300]!r}")
            raise NotTakenError(f"/facts: {status} {said[:500]!r}")
        answers = json.loads(said)
        for answer in answers:
            if answer["outcome"] not in TAKEN:
                raise NotTakenError(f"/facts: {answer}")
        return [str(answer["natural_key"]) for answer in answers]

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
