"""The composition root: parts, pages and answers to trouble put together to one application."""

from datetime import UTC, datetime

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.exceptions import HTTPException

from services.console import shown_text
from services.console.access import RULES
from services.console.changes import Changes
from services.console.console import Console
from services.console.door import Door
from services.console.guard import GuardedRoute
from services.console.notes.pictures import Pictures
from services.console.oidc import Provider
from services.console.operations.board import Operations
from services.console.operations.lookout import Lookout
from services.console.pages.listed import PAGES
from services.console.security import SecurityHeaders
from services.console.sessions import Sessions
from services.console.site_rules import load_site_rules
from services.console.static_files import StaticFiles
from services.console.troubles import Trouble
from services.console.visit import Visit
from services.runtime.service import Runtime
from services.runtime.settings import ConsoleSettings
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)


def build_console(runtime: Runtime) -> Console:
    """Put the parts together; nothing listens yet."""
    settings = runtime.settings.console
    return Console(
        settings,
        runtime.group,
        runtime.store,
        Sessions(runtime.store, runtime.group, settings),
        Changes(runtime.store, settings.max_live_pages),
        Door(runtime.store, settings),
        _provider(settings),
        runtime.audit,
        _templates(),
        StaticFiles(),
        load_site_rules(runtime.group, runtime.settings.group_dir),
        Pictures(runtime.settings.images_dir),
        Operations(
            runtime.settings,
            Lookout(runtime.settings, runtime.store, runtime.bus),
            runtime.group_watch,
        ),
        tuple(entry for page in PAGES for entry in getattr(page, "NAV", ())),
    )


def build_app(console: Console) -> FastAPI:
    """Make the application from the modules of ``pages``. Raises KeyError where a route of theirs
    stands in no row of ``access.RULES``."""
    # redirect_slashes would answer with an address made of whatever Host the browser sent.
    app = FastAPI(
        title="gomphosis console",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
    )
    app.state.console = console
    for page in PAGES:
        for method, path, shown in page.ROUTES:
            if (method, path) not in RULES:
                raise KeyError(f"{method} {path}: expected a row in services.console.access.RULES")
            app.router.add_api_route(
                path,
                shown,
                methods=[method],
                response_class=HTMLResponse,
                response_model=None,
                route_class_override=GuardedRoute,
            )
    app.add_middleware(SecurityHeaders, is_https=console.settings.is_https)
    app.add_exception_handler(Trouble, _trouble)
    app.add_exception_handler(HTTPException, _http_trouble)
    app.add_exception_handler(RequestValidationError, _form_trouble)
    app.add_exception_handler(StoreUnavailable, _store_trouble)
    app.add_exception_handler(Exception, _fault)
    return app


def _provider(settings: ConsoleSettings) -> Provider | None:
    if not settings.oidc.issuer:
        return None
    return Provider(settings.oidc, f"{settings.url}/oidc/callback")


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("services.console"),
        autoescape=True,
        finalize=shown_text.shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _trouble(request: Request, error: Exception) -> Response:
    if not isinstance(error, Trouble):
        raise error
    console: Console = request.app.state.console
    visit = Visit(request, console, getattr(request.state, "signed_in", None))
    template = "trouble_part.html" if visit.is_part else "trouble.html"
    response = visit.page(
        template, error.status, words=error.words, wait_s=error.wait_s, at=datetime.now(UTC)
    )
    if error.wait_s is not None:
        response.headers["Retry-After"] = str(error.wait_s)
    return response


def _http_trouble(request: Request, error: Exception) -> Response:
    return _trouble(request, Trouble(getattr(error, "status_code", 500)))


def _form_trouble(request: Request, error: Exception) -> Response:
    if not isinstance(error, RequestValidationError):
        raise error
    first = error.errors()[0]
    field = str(first["loc"][-1])
    log.info("form_refused", path=request.url.path, field=field)
    return _trouble(request, Trouble(422, f"Nothing was done. {field}: {first['msg']}."))


def _store_trouble(request: Request, error: Exception) -> Response:
    log.error("page_not_shown", path=request.url.path, reason=str(error))
    return _trouble(request, Trouble(503))


def _fault(request: Request, error: Exception) -> Response:
    log.error("page_failed", path=request.url.path, exc_info=error)
    return _trouble(request, Trouble(500))
