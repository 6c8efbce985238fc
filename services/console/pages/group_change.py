"""Sites and devices: which group.yaml is in force where, and a form that adds to it."""

import base64
import hashlib
import hmac
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from fastapi import Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from schemas.errors import InvalidInput
from schemas.group import DeviceKind, Site
from services.console import watch
from services.console.operations import group_change, group_forms, group_text
from services.console.operations.group_change import GroupChanged, GroupNotWritten
from services.console.operations.group_forms import TOKEN_KINDS, Errors, Form
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting
from services.runtime import deeds
from services.runtime.deeds import Deed

_UNSAID: Final = frozenset({"csrf", "step", "base"})
_MOST_FIELDS: Final = 40
_CHANGED: Final = (
    "Somebody changed group.yaml meanwhile. Look at the difference as it is now, and confirm again."
)


@dataclass(frozen=True, slots=True)
class Adding:
    """What is added, as the form told it. ``site`` is that of a device; None: a site is added."""

    form: Form
    site: Site | None
    told: dict[str, Any]
    token: str | None = None

    @property
    def template(self) -> str:
        return "group_site.html" if self.site is None else "group_device.html"

    @property
    def words(self) -> str:
        name = self.told.get("name", "")
        return f"site {name}" if self.site is None else f"device {name} of {self.site.name}"


def show(visit: Visiting) -> Response:
    """Show which file is in force, where, and what can be added."""
    folder = visit.console.operations.settings.group_dir
    return visit.page(
        "group.html",
        sites=visit.sites,
        versions=group_change.versions(folder),
        folder=folder,
        writable=group_change.is_writable(folder),
        adds_sites=visit.person.account.person.reach == "group",
    )


def show_now(visit: Visiting) -> Response:
    """Show which content each service has in force now."""
    operations = visit.console.operations
    try:
        _, sha256 = group_change.read_text(operations.settings.group_dir)
    except InvalidInput:
        sha256 = ""
    services = watch.services(operations.lookout.urls)
    return visit.page("group_now.html", services=services, sha256=sha256)


def show_site_form(visit: Visiting) -> Response:
    """Show the form for a new site."""
    return _form(visit, Adding({}, None, {}))


def show_device_form(visit: Visiting, site: str) -> Response:
    """Show the form for a new device."""
    return _form(visit, Adding({}, visit.own_site(site), {}))


async def add_site(visit: Visiting, request: Request) -> Response:
    """Look at a new site, then, confirmed, put it into the file."""
    form = await _read(request)
    return await run_in_threadpool(_add, visit, form, None)


async def add_device(visit: Visiting, request: Request, site: str) -> Response:
    """Look at a new device, then, confirmed, put it into the file."""
    form = await _read(request)
    return await run_in_threadpool(_add, visit, form, visit.own_site(site))


async def _read(request: Request) -> dict[str, str]:
    form = await request.form(max_fields=_MOST_FIELDS)
    return {name: value[:2_000] for name, value in form.items() if isinstance(value, str)}


def _add(visit: Visit, form: dict[str, str], site: Site | None) -> Response:
    adding = _adding(visit, form, site)
    if site is not None and adding.token is not None and _is_there(adding, site):
        return _done(visit, adding)  # the same form, sent twice
    folder = visit.console.operations.settings.group_dir
    errors = _errors(visit, adding)
    if not errors:
        try:
            before, sha256 = group_change.read_text(folder)
            after = _text(before, adding)
            group_change.check_text(folder, after, visit.console.group)
        except InvalidInput as error:
            field = error.field.removeprefix("group.yaml: ")
            errors = {field: f"expected {error.expected}"}
    if errors:
        return _form(visit, adding, errors)
    if form.get("step") != "do":
        return _preview(visit, adding, before, after, sha256)
    return _change(visit, adding, before, after, sha256)


def _change(visit: Visit, adding: Adding, before: str, after: str, sha256: str) -> Response:
    folder = visit.console.operations.settings.group_dir
    try:
        if adding.form.get("base") != sha256:
            raise GroupChanged("group.yaml was changed since the difference was shown")
        group_change.write(folder, after, sha256, datetime.now(UTC))
    except GroupChanged:
        return _preview(visit, adding, before, after, sha256, _CHANGED)
    except GroupNotWritten as error:
        return visit.page("group_by_hand.html", 503, adding=adding, after=after, why=str(error))
    _audit(visit, adding, sha256, hashlib.sha256(after.encode()).hexdigest())
    visit.console.operations.group_watch.look()
    return _done(visit, adding)


def _errors(visit: Visit, adding: Adding) -> Errors:
    if adding.site is None:
        return group_forms.site_errors(adding.told, visit.console.group)
    return group_forms.device_errors(adding.told, adding.site)


def _adding(visit: Visit, form: Form, site: Site | None) -> Adding:
    if site is None:
        return Adding(form, None, group_forms.site_told(form))
    token = None
    if form.get("kind") in TOKEN_KINDS and form.get("wants_token"):
        token = _token(visit, form.get("tap", ""))
    digest = None if token is None else hashlib.sha256(token.encode()).hexdigest()
    return Adding(form, site, group_forms.device_told(form, digest), token)


def _token(visit: Visit, tap: str) -> str:
    """Make a device's token, the same where the same form is sent twice, and kept nowhere: of the
    form's own mark and of the session's secret, which is random, in this browser, and ends."""
    if not 8 <= len(tap) <= 64:
        raise Trouble(400)
    secret = visit.person.token.encode()
    made = hmac.new(secret, f"device token {tap}".encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(made).decode().rstrip("=")


def _is_there(adding: Adding, site: Site) -> bool:
    device = site.device(str(adding.told.get("name")))
    return device is not None and device.token_sha256 == adding.told.get("token_sha256")


def _text(before: str, adding: Adding) -> str:
    if adding.site is None:
        return group_text.with_site(before, adding.told)
    return group_text.with_device(before, adding.site.name, adding.told)


def _form(visit: Visit, adding: Adding, errors: Errors | None = None) -> Response:
    folder = visit.console.operations.settings.group_dir
    try:
        tariffs = group_change.tariff_codes(folder) if adding.site is None else []
    except InvalidInput:
        tariffs = []
    told = errors or {}
    return visit.page(
        adding.template,
        422 if told else 200,
        adding=adding,
        at=adding.site,
        form=adding.form,
        errors=told,
        kinds=[kind.value for kind in DeviceKind],
        tariffs=tariffs,
    )


def _preview(
    visit: Visit, adding: Adding, before: str, after: str, sha256: str, changed: str = ""
) -> Response:
    kept = {name: value for name, value in adding.form.items() if name not in _UNSAID}
    return visit.page(
        "group_preview.html",
        adding=adding,
        lines=group_change.difference(before, after),
        kept=kept,
        base=sha256,
        changed=changed,
        path=visit.request.url.path,
    )


def _done(visit: Visit, adding: Adding) -> Response:
    return visit.page("group_done.html", adding=adding)


def _audit(visit: Visit, adding: Adding, before: str, after: str) -> None:
    account = visit.person.account
    deed = Deed(
        "did",
        "group.yaml",
        f"added {adding.words}; content {before[:12]} became {after[:12]}",
        account.site.name if adding.site is None else adding.site.name,
        account.person.name,
        visit.request.client.host if visit.request.client else None,
        datetime.now(UTC),
    )
    with visit.console.store.begin() as connection:
        deeds.append(connection, "console", deed)


ROUTES: Final = (
    ("GET", "/operations/group", show),
    ("GET", "/operations/group/now", show_now),
    ("GET", "/operations/group/site", show_site_form),
    ("POST", "/operations/group/site", add_site),
    ("GET", "/operations/sites/{site}/device", show_device_form),
    ("POST", "/operations/sites/{site}/device", add_device),
)
