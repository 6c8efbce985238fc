"""Signing in by an identity provider: there, and back again."""

from typing import Annotated, Final

import structlog
from fastapi import Query
from fastapi.responses import RedirectResponse, Response

from services.console.accounts import account_of_subject
from services.console.oidc import PENDING_S, Provider, ProviderError, begin_pending, read_pending
from services.console.pages.sign_in import begin_session, is_shared
from services.console.security import set_cookie
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting, local_path
from services.runtime.audit import Refusal

log = structlog.get_logger(__name__)

PENDING_COOKIE: Final = "console_provider"
_FAILED: Final = "/sign-in?why=failed"


def start(visit: Visiting, next_path: Annotated[str, Query(alias="next")] = "/") -> Response:
    """Send the browser to the provider."""
    provider = _provider(visit)
    pending = begin_pending(local_path(next_path), shared=is_shared(visit))
    try:
        address = provider.address(pending)
    except ProviderError as error:
        log.error("provider_not_asked", reason=str(error))
        raise Trouble(
            503,
            "The service that knows your hospital's accounts does not answer.",
            "Sign in by password, or try again in a moment.",
        ) from error
    response = RedirectResponse(address, 303)
    secure = visit.console.settings.is_https
    # lax: the provider sends the browser back from another site.
    set_cookie(response, PENDING_COOKIE, pending.encoded(), secure=secure, max_age_s=PENDING_S)
    return response


def come_back(visit: Visiting) -> Response:
    """Sign in whom the provider names, if it is one of the group's people."""
    provider = _provider(visit)
    pending = read_pending(visit.request.cookies.get(PENDING_COOKIE))
    if pending is None:
        return _failed(visit, "expected a sign-in that was begun in this browser")
    try:
        subject = provider.subject(pending, dict(visit.request.query_params))
    except ProviderError as error:
        log.warning("provider_not_believed", reason=str(error))
        return _failed(visit, "expected a proof of the identity provider")
    account = account_of_subject(visit.console.group, subject)
    if account is None:
        return _failed(visit, "expected an oidc_subject of group.yaml")
    path = local_path(pending.next)
    response = begin_session(visit, account, path, shared=pending.shared)
    response.delete_cookie(PENDING_COOKIE, path="/")
    return response


def _provider(visit: Visit) -> Provider:
    if visit.console.provider is None:
        raise Trouble(404)
    return visit.console.provider


def _failed(visit: Visit, reason: str) -> Response:
    address = visit.request.client.host if visit.request.client else None
    visit.console.audit.refused(Refusal("console", "sign-in", reason, address))
    response = RedirectResponse(_FAILED, 303)
    response.delete_cookie(PENDING_COOKIE, path="/")
    return response


ROUTES: Final = (("GET", "/oidc/start", start), ("GET", "/oidc/callback", come_back))
