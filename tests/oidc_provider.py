"""A small OpenID provider of our own, as a process: signs whoever comes in as one invented subject.

The code flow with PKCE and an ID token, made with authlib and joserfc; run
``python -m tests.oidc_provider PORT``. ``POST /behave`` makes it wrong on purpose.
"""

from __future__ import annotations

import json
import secrets
import sys
import time
from base64 import b64decode
from typing import Any
from urllib.parse import urlencode

import uvicorn
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey

CLIENT, SECRET, SUBJECT = "invented-client", "invented-client-secret", "invented-subject-1"


class Provider:
    """What it remembers: codes that are out, and how it shall be wrong."""

    def __init__(self, issuer: str) -> None:
        self.issuer = issuer
        self.key = RSAKey.generate_key(2048, {"kid": "one", "use": "sig"})
        self.other_key = RSAKey.generate_key(2048, {"kid": "one", "use": "sig"})
        self.codes: dict[str, dict[str, str]] = {}
        self.wrong: dict[str, Any] = {}

    def id_token(self, asked: dict[str, str]) -> str:
        now = int(time.time())
        claims = {
            "iss": self.issuer,
            "sub": SUBJECT,
            "aud": CLIENT,
            "iat": now,
            "exp": now + 300,
            "nonce": asked["nonce"],
        } | self.wrong.get("claims", {})
        key = self.other_key if self.wrong.get("key") else self.key
        return jwt.encode({"alg": "RS256", "kid": "one"}, claims, key)


def build(issuer: str) -> FastAPI:
    """Make the provider's application."""
    app, provider = FastAPI(openapi_url=None), Provider(issuer)

    @app.get("/.well-known/openid-configuration")
    def discovery() -> dict[str, Any]:
        return {
            "issuer": issuer,
            "authorization_endpoint": f"{issuer}/authorize",
            "token_endpoint": f"{issuer}/token",
            "jwks_uri": f"{issuer}/keys",
        }

    @app.get("/keys")
    def keys() -> Any:
        return KeySet([provider.key]).as_dict(private=False)

    @app.post("/behave")
    async def behave(request: Request) -> Response:
        provider.wrong = json.loads(await request.body())
        return Response(status_code=204)

    @app.get("/authorize")
    def authorize(request: Request) -> Response:
        asked = dict(request.query_params)
        expected = {"response_type": "code", "client_id": CLIENT, "code_challenge_method": "S256"}
        if any(asked.get(name) != value for name, value in expected.items()):
            return JSONResponse({"error": "invalid_request"}, 400)
        code = secrets.token_urlsafe(16)
        provider.codes[code] = asked
        answer = {"code": code, "state": asked["state"], "iss": issuer}
        return RedirectResponse(f"{asked['redirect_uri']}?{urlencode(answer)}", 303)

    @app.post("/token")
    async def token(request: Request) -> Response:
        form = {name: str(value) for name, value in (await request.form()).items()}
        proof = b64decode(request.headers.get("authorization", "").removeprefix("Basic ")).decode()
        asked = provider.codes.pop(form.get("code", ""), None)
        good = (
            asked is not None
            and proof == f"{CLIENT}:{SECRET}"
            and form.get("grant_type") == "authorization_code"
            and form.get("redirect_uri") == asked["redirect_uri"]
            and create_s256_code_challenge(form.get("code_verifier", "")) == asked["code_challenge"]
        )
        if not good or asked is None:
            return JSONResponse({"error": "invalid_grant"}, 400)
        told = {"access_token": "x", "token_type": "Bearer", "id_token": provider.id_token(asked)}
        return JSONResponse(told)

    return app


if __name__ == "__main__":
    port = int(sys.argv[1])
    uvicorn.run(build(f"http://127.0.0.1:{port}"), host="127.0.0.1", port=port, log_level="warning")
