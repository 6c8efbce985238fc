"""What every answer carries, and what shows that a form is ours: headers, cookies, the CSRF proof.

Headers follow the OWASP HTTP Headers cheat sheet (from memory); the policy lets no
inline script or style run.
"""

import hmac
import secrets
from typing import Final, Literal
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import Response
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CSRF_FIELD: Final = "csrf"
CSRF_HEADER: Final = "X-CSRF-Token"
SESSION_COOKIE: Final = "console_session"
FORM_COOKIE: Final = "console_form"
"""Before anybody is signed in the proof is that the form and this cookie say the same."""

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_HSTS: Final = "max-age=31536000"


class SecurityHeaders:
    """Adds the headers to every answer, also to that of an error."""

    def __init__(self, app: ASGIApp, is_https: bool) -> None:
        self._app = app
        self._headers = HEADERS | ({"Strict-Transport-Security": _HSTS} if is_https else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, send_with)


def set_cookie(
    response: Response,
    name: str,
    value: str,
    *,
    secure: bool,
    max_age_s: int | None = None,
    same_site: Literal["lax", "strict"] = "lax",
) -> None:
    """Set a cookie that no script reads; the browser forgets it at its end where no age is told.

    ``lax``, so that whoever comes back from an identity provider is known.
    """
    response.set_cookie(
        name, value, max_age=max_age_s, httponly=True, secure=secure, samesite=same_site, path="/"
    )


def form_proof(request: Request, response: Response, *, secure: bool, proof: str) -> None:
    """Give the browser the cookie that a form of an open page is compared with."""
    if request.cookies.get(FORM_COOKIE) != proof:
        set_cookie(response, FORM_COOKIE, proof, secure=secure, same_site="strict")


def own_form_proof(request: Request) -> str:
    """Take the cookie's proof, or make one."""
    told = request.cookies.get(FORM_COOKIE, "")
    return told if len(told) >= 40 else secrets.token_urlsafe(32)


def comes_from_us(request: Request, url: str) -> bool:
    """Tell whether the browser says that our own page sent this; old ones say nothing."""
    origin = request.headers.get("origin")
    if origin is None:
        return request.headers.get("sec-fetch-site", "same-origin") in {"same-origin", "none"}
    if origin == url:
        return True
    parts = urlsplit(origin)
    return parts.scheme in {"http", "https"} and parts.netloc == request.headers.get("host")


def same(told: str | None, expected: str) -> bool:
    """Compare a secret in a time that tells nothing."""
    return bool(told) and hmac.compare_digest((told or "").encode(), expected.encode())
