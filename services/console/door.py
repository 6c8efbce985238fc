"""What a person does becomes a fact: sent to intake's HTTP door in that person's name."""

import base64
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import httpx
from sqlalchemy import delete, select

from schemas.acting import ACTING_AT, ACTING_PERSON
from schemas.envelope import Payload
from services.console.accounts import Account
from services.console.acts import note_act
from services.console.session_store import TAP
from services.console.troubles import Trouble
from services.runtime.settings import ConsoleSettings
from services.runtime.store import Store
from services.runtime.upsert import add_row

_SIGNING: Final = "Signing-Authorization"
_REMEMBER: Final = timedelta(days=2)
"""Well longer than a tap may be late; invented."""
_LATEST: Final = timedelta(hours=12)
"""How old a tap may be that a tablet kept while it was offline. The length is invented."""
_NOT_TWICE: Final = "Nothing was done twice: look at the page before you try again."


@dataclass(frozen=True, slots=True)
class Told:
    """A fact is kept. ``known``: it was before, so this tap changed nothing."""

    natural_key: str
    known: bool


class Door:
    """Tells facts for whoever is signed in. Safe to use from many threads."""

    def __init__(self, store: Store, settings: ConsoleSettings) -> None:
        self._store = store
        self._token = settings.token.get_secret_value()
        self._client = httpx.Client(
            base_url=settings.intake_url, timeout=settings.intake_timeout_s, follow_redirects=False
        )

    def tell(
        self,
        account: Account,
        site: str,
        fact: Payload,
        tap: str,
        *,
        tapped_at: datetime | None = None,
        typed: str | None = None,
    ) -> Told:
        """Tell one fact and wait until it is kept.

        ``tap`` is the form's own mark, made with the page (``new_tap()``): a form that is sent
        twice makes one fact, of the first moment. ``tapped_at`` is when it was tapped, where a
        tablet was offline. ``typed`` is the password or signing secret, for a signature; it goes
        to intake and nowhere else.

        Raises Trouble, in plain words, where the fact is not kept.
        """
        if not self._token:
            raise Trouble(
                503,
                "This console may look but not act: it has no token of its own.",
                "Tell who looks after the system to set GOMPHOSIS_CONSOLE__TOKEN.",
            )
        occurred_at = self._moment_of(account, site, fact, tap, tapped_at)
        offer = {
            "kind": fact.KIND,
            "schema_version": fact.VERSION,
            "occurred_at": occurred_at.isoformat(),
            "payload": fact.model_dump(mode="json", exclude=set(fact.SET_BY_INTAKE)),
        }
        headers = {
            "Authorization": f"Bearer {self._token}",
            ACTING_PERSON: account.key,
            ACTING_AT: site,
        }
        if typed is not None:
            proof = base64.b64encode(f"{account.person.name}:{typed}".encode()).decode()
            headers[_SIGNING] = f"Basic {proof}"
        try:
            answer = self._client.post("/facts", json=[offer], headers=headers)
        except httpx.HTTPError as error:
            raise Trouble(
                503,
                "The service that takes in what you do does not answer. "
                "It may or may not have been kept.",
                "Tap again in a moment; a second tap does nothing twice.",
            ) from error
        told = _read(answer, signs=typed is not None)
        note_act(told.natural_key)
        return told

    def forget_old_taps(self) -> None:
        """Remove the marks of taps that nobody sends again."""
        with self._store.begin() as connection:
            connection.execute(delete(TAP).where(TAP.c.kept_at < datetime.now(UTC) - _REMEMBER))

    def close(self) -> None:
        self._client.close()

    def _moment_of(
        self, account: Account, site: str, fact: Payload, tap: str, tapped_at: datetime | None
    ) -> datetime:
        """Give a tap its moment, once: with it, what is sent again has the same natural key."""
        check_tap(tap)
        now = datetime.now(UTC)
        content = json.dumps([site, fact.KIND, fact.model_dump(mode="json")], sort_keys=True)
        digest = hashlib.sha256(content.encode()).hexdigest()
        late = tapped_at is not None and now - _LATEST <= tapped_at <= now
        row = {
            "site": account.site.name,
            "person": account.person.name,
            "tap": tap,
            "content_sha256": digest,
            "occurred_at": tapped_at if late else now,
            "kept_at": now,
        }
        with self._store.begin() as connection:
            add_row(connection, TAP, row)
            kept = connection.execute(
                select(TAP.c.content_sha256, TAP.c.occurred_at).where(
                    TAP.c.site == row["site"], TAP.c.person == row["person"], TAP.c.tap == tap
                )
            ).one()
        if kept.content_sha256 != digest:
            raise Trouble(400, "This form was sent before with another content.", _NOT_TWICE)
        occurred_at: datetime = kept.occurred_at
        return occurred_at


def check_tap(tap: str) -> None:
    """Check that a form's mark is one that a page of ours makes (Trouble 400)."""
    if not 8 <= len(tap) <= 64 or not tap.isascii() or not tap.isalnum():
        raise Trouble(400)


def _read(answer: httpx.Response, *, signs: bool) -> Told:
    try:
        body: Any = answer.json()
    except ValueError:
        body = None
    first: Any = body[0] if isinstance(body, list) and body else body
    if not isinstance(first, dict):
        raise Trouble(502)
    if first.get("outcome") in {"accepted", "already_known"}:
        return Told(str(first.get("natural_key")), first["outcome"] == "already_known")
    field, expected = str(first.get("field")), str(first.get("expected"))
    if answer.status_code == 401:
        raise Trouble(
            503,
            "Intake does not know this console's token. Nothing was done.",
            "Tell who looks after the system: the hash in group.yaml and "
            "GOMPHOSIS_CONSOLE__TOKEN must belong together.",
        )
    if answer.status_code == 503:
        raise Trouble(503)
    if signs and field == _SIGNING:
        if "no further try" in expected:
            raise Trouble(429, f"Nothing was signed: {expected}.")
        raise Trouble(
            403,
            "Nothing was signed: what you typed is not your password or signing secret.",
            "Go back and type it again. After several wrong ones you have to wait a minute.",
        )
    if answer.status_code == 403:
        raise Trouble(
            403, f"Nothing was done: intake does not let you do this ({field}: {expected})."
        )
    raise Trouble(422, f"Nothing was done. {field}: expected {expected}.")
