"""What a person does at the console, by its own pages and forms: with or without a browser."""

import html
import re
import secrets
from dataclasses import dataclass, field
from typing import Final

import httpx

from demo.evening.hospitals import invented_password

_INPUT: Final = re.compile(r"<input[^>]*type=\"hidden\"[^>]*>")
_TEXTAREA: Final = re.compile(r'<textarea[^>]*name="(\w+)"[^>]*>(.*?)</textarea>', re.DOTALL)


class NotAtTheDesk(Exception):  # noqa: N818
    """A page of the console is not as the day needs it; says which, and what it answered."""


@dataclass(frozen=True, slots=True)
class Form:
    """A form of a page: where it is sent, and what stands in it already."""

    action: str
    fields: dict[str, str | list[str]]

    def with_fields(self, **more: str) -> "Form":
        return Form(self.action, {**self.fields, **more})


@dataclass(slots=True)
class Person:
    """Somebody who is signed in at the console."""

    url: str
    site: str
    name: str
    _client: httpx.Client = field(init=False)

    def __post_init__(self) -> None:
        self._client = httpx.Client(base_url=self.url, timeout=180.0, follow_redirects=True)
        form = self.form("/sign-in", "/sign-in")
        shown = form.with_fields(
            site=self.site, name=self.name, password=invented_password(self.name)
        )
        self.send(shown)
        if not self.cookies:
            raise NotAtTheDesk(f"{self.name}: expected to be signed in")

    @property
    def cookies(self) -> dict[str, str]:
        """Give the session's cookies, for a browser that is to show the same pages."""
        found = dict(self._client.cookies)
        return found if any("session" in name for name in found) else {}

    def page(self, address: str) -> str:
        """Read a page."""
        return self._checked(self._client.get(address)).text

    def form(self, address: str, action: str, having: str = "") -> Form:
        """Read the form of a page that is sent to ``action``, and has these words in it."""
        return _form_in(self.page(address), action, having) or self._none(address, action)

    def send_for(self, form: Form, action: str) -> Form:
        """Send a form, and give the form of the next page that is sent to ``action``."""
        page = self.send(form)
        return _form_in(page, action) or self._none(form.action, action)

    def send(self, form: Form) -> str:
        """Send a form, and read the page that comes of it."""
        return self._checked(self._client.post(form.action, data=form.fields)).text

    def tap(self, board: str, what: str, **values: str) -> None:
        """Tap something at the board of a patient, as its page does."""
        csrf = re.search(r'name="csrf" value="([^"]+)"', self.page(board))
        if csrf is None:
            raise NotAtTheDesk(f"{board}: expected a page with its proof")
        fields = {"csrf": csrf[1], "what": what, "tap": secrets.token_hex(8), **values}
        self._checked(self._client.post(f"{board}/taps", data=fields))

    def _checked(self, answer: httpx.Response) -> httpx.Response:
        if not answer.is_success:
            told = re.sub(r"<[^>]+>|\s+", " ", answer.text)[:600]
            raise NotAtTheDesk(f"{self.name}, {answer.url.path}: {answer.status_code} {told}")
        return answer

    def _none(self, address: str, action: str) -> Form:
        raise NotAtTheDesk(f"{self.name}, {address}: expected a form that is sent to {action}")

    def close(self) -> None:
        self._client.close()


def picks(page: str, about: str) -> str:
    """Give what a tick beside this says, as the page has it."""
    found = re.search(rf'name="pick" value="({re.escape(about)}:[^"]+)"', page)
    if found is None:
        raise NotAtTheDesk(f"expected a tick for {about} on the page")
    return found[1]


def _form_in(page: str, action: str, having: str = "") -> Form | None:
    pattern = rf'<form[^>]*action="([^"]*{re.escape(action)}[^"]*)"[^>]*>(.*?)</form>'
    for found in re.finditer(pattern, page, re.DOTALL):
        if having in html.unescape(found[2]):
            return Form(html.unescape(found[1]), _fields(found[2]))
    return None


def _fields(inner: str) -> dict[str, str | list[str]]:
    fields: dict[str, str | list[str]] = {}
    for tag in _INPUT.findall(inner):
        told = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        name, value = told.get("name", ""), html.unescape(told.get("value", ""))
        before = fields.get(name)
        if before is None:
            fields[name] = value
        else:
            fields[name] = [*([before] if isinstance(before, str) else before), value]
    for name, text in _TEXTAREA.findall(inner):
        fields[name] = html.unescape(text)
    return fields
