"""The other way in: an OpenID provider, by the code flow with PKCE, state and nonce.

OpenID Connect Core 1.0 section 3.1, Discovery 1.0 section 4, RFC 7636 (PKCE), RFC 9207 (issuer in
the answer), all from memory. The claims of the ID token are checked by authlib, its signature by
joserfc.
"""

import base64
import binascii
import hmac
import json
import secrets
import ssl
import time
from dataclasses import asdict, dataclass
from threading import Lock
from typing import Any, Final
from urllib.parse import urlencode

import httpx
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from schemas.errors import GomphosisError
from services.runtime.settings import OidcSettings

PENDING_S: Final = 600
_ALGORITHMS: Final = ("RS256", "PS256", "ES256", "EdDSA")
"""Signatures by a key that only the provider has; never ``none``, never one by a shared secret."""
_LEEWAY_S: Final = 60
_KEEP_S: Final = 600.0
"""How long what the provider says of itself is kept. The three lengths are invented."""


class ProviderError(GomphosisError):
    """The identity provider cannot be reached, or what it says cannot be believed."""


@dataclass(frozen=True, slots=True)
class Pending:
    """A sign-in that is under way in this browser; kept in its cookie, for ten minutes."""

    state: str
    nonce: str
    verifier: str
    next: str
    shared: bool

    def encoded(self) -> str:
        return base64.urlsafe_b64encode(json.dumps(asdict(self)).encode()).decode()


def begin_pending(next_path: str, *, shared: bool) -> Pending:
    """Make the three secrets of one sign-in."""
    return Pending(
        secrets.token_urlsafe(32),
        secrets.token_urlsafe(32),
        secrets.token_urlsafe(48),
        next_path,
        shared,
    )


def read_pending(cookie: str | None) -> Pending | None:
    """Read the cookie; None for one that is missing or not ours."""
    try:
        told = json.loads(base64.urlsafe_b64decode((cookie or "").encode()))
        pending = Pending(**told)
    except (ValueError, TypeError, RecursionError, binascii.Error):
        return None
    texts = (pending.state, pending.nonce, pending.verifier, pending.next)
    return pending if all(isinstance(one, str) and one for one in texts) else None


class Provider:
    """One OpenID provider. Safe to use from many threads."""

    def __init__(self, settings: OidcSettings, redirect_uri: str) -> None:
        self._settings = settings
        self._redirect_uri = redirect_uri
        trusted: ssl.SSLContext | bool = True
        if settings.ca_file is not None:
            trusted = ssl.create_default_context(cafile=str(settings.ca_file))
        self._client = httpx.Client(timeout=settings.timeout_s, verify=trusted)
        self._lock = Lock()
        self._known: dict[str, tuple[float, dict[str, Any]]] = {}

    @property
    def title(self) -> str:
        return self._settings.title

    def address(self, pending: Pending) -> str:
        """Give the address where the person shows who they are. Raises ProviderError."""
        asked = {
            "response_type": "code",
            "client_id": self._settings.client_id,
            "redirect_uri": self._redirect_uri,
            "scope": self._settings.scope,
            "state": pending.state,
            "nonce": pending.nonce,
            "code_challenge": create_s256_code_challenge(pending.verifier),
            "code_challenge_method": "S256",
        }
        endpoint = self._endpoint("authorization_endpoint")
        return f"{endpoint}{'&' if '?' in endpoint else '?'}{urlencode(asked)}"

    def subject(self, pending: Pending, answered: dict[str, str]) -> str:
        """Give who came back, by the claim of the settings. Raises ProviderError."""
        if not hmac.compare_digest(answered.get("state", "").encode(), pending.state.encode()):
            raise ProviderError("state: expected the one that this browser was sent with")
        if "error" in answered:
            raise ProviderError("the provider did not sign this person in")
        if answered.get("iss", self._settings.issuer) != self._settings.issuer:
            raise ProviderError("iss: expected the provider of the settings")
        token = self._id_token(pending, answered.get("code", ""))
        claims = self._verified(token, pending.nonce)
        told = claims.get(self._settings.claim)
        if not isinstance(told, str) or not told:
            raise ProviderError(f"ID token: expected the claim {self._settings.claim} as a text")
        return told

    def check(self) -> None:
        """Read what the provider tells of itself, and its keys. Raises ProviderError."""
        self._endpoint("authorization_endpoint")
        self._keys(fresh=True)

    def close(self) -> None:
        self._client.close()

    def _id_token(self, pending: Pending, code: str) -> str:
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self._redirect_uri,
            "code_verifier": pending.verifier,
            "client_id": self._settings.client_id,
        }
        secret = self._settings.client_secret.get_secret_value()
        proof = (self._settings.client_id, secret) if secret else None
        address = self._endpoint("token_endpoint")
        try:
            if proof is None:
                answer = self._client.post(address, data=form)
            else:
                answer = self._client.post(address, data=form, auth=proof)
            told = answer.json()
        except (httpx.HTTPError, ValueError) as error:
            raise ProviderError("the provider's token endpoint: expected an answer") from error
        token = told.get("id_token") if isinstance(told, dict) else None
        if answer.status_code != 200 or not isinstance(token, str):
            raise ProviderError(f"token endpoint: expected an ID token, got {answer.status_code}")
        return token

    def _verified(self, token: str, nonce: str) -> dict[str, Any]:
        try:
            opened = jwt.decode(token, self._keys(fresh=False), algorithms=list(_ALGORITHMS))
        except (JoseError, ValueError):
            # The provider may have changed its keys since they were read.
            try:
                opened = jwt.decode(token, self._keys(fresh=True), algorithms=list(_ALGORITHMS))
            except (JoseError, ValueError) as error:
                raise ProviderError("ID token: expected one that the provider signed") from error
        client = self._settings.client_id
        claims = CodeIDToken(
            opened.claims,
            opened.header,
            {
                "iss": {"essential": True, "value": self._settings.issuer},
                "aud": {"essential": True, "value": client},
                "nonce": {"essential": True, "value": nonce},
            },
            {"nonce": nonce, "client_id": client},
        )
        try:
            claims.validate(now=int(time.time()), leeway=_LEEWAY_S)
        except JoseError as error:
            raise ProviderError(f"ID token: {error}") from error
        return dict(opened.claims)

    def _endpoint(self, name: str) -> str:
        issuer = self._settings.issuer.rstrip("/")
        found = self._read(f"{issuer}/.well-known/openid-configuration", fresh=False)
        if found.get("issuer") != self._settings.issuer:
            raise ProviderError("issuer: expected the provider to call itself as the settings do")
        address = found.get(name)
        if not isinstance(address, str):
            raise ProviderError(f"discovery: expected {name}")
        return address

    def _keys(self, *, fresh: bool) -> KeySet:
        return KeySet.import_key_set(self._read(self._endpoint("jwks_uri"), fresh=fresh))  # type: ignore[arg-type]

    def _read(self, address: str, *, fresh: bool) -> dict[str, Any]:
        with self._lock:
            at, known = self._known.get(address, (0.0, {}))
        if known and not fresh and time.monotonic() - at < _KEEP_S:
            return known
        try:
            answer = self._client.get(address).raise_for_status().json()
        except (httpx.HTTPError, ValueError) as error:
            raise ProviderError(f"{address}: expected an answer in JSON") from error
        if not isinstance(answer, dict):
            raise ProviderError(f"{address}: expected an object of JSON")
        with self._lock:
            self._known[address] = (time.monotonic(), answer)
        return answer
