"""Takes pictures of the console's pages in a real Chromium, where there is one."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from demo import chromium
from demo.evening.chapter import Figure, data_uri
from demo.evening.desk import Person

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

TABLET: Final = (1024, 768)
DESKTOP: Final = (1280, 800)
_PROGRAMS: Final = ("chromium", "chromium-browser")
_QUALITY: Final = 80
_WAIT_MS: Final = 180_000


class Camera:
    """Shows a page to a signed-in person's browser and keeps what is seen. Without a browser
    there are no pictures of pages, and ``why_not`` says so."""

    def __init__(self, browser: "Browser | None", why_not: str = "") -> None:
        self._browser = browser
        self.why_not = why_not

    def page(
        self,
        who: Person,
        address: str,
        caption: str,
        *,
        size: tuple[int, int] = DESKTOP,
        to: str = "",
        words: str = "",
    ) -> Figure | None:
        """Take a page as it is now, in light and dark.

        ``to`` is scrolled to the top; ``words`` must be seen on the page before it is taken.
        """
        if self._browser is None:
            return None
        width, height = size
        context = self._browser.new_context(
            viewport={"width": width, "height": height}, reduced_motion="reduce"
        )
        context.set_default_timeout(_WAIT_MS)
        try:
            context.add_cookies(
                [{"name": n, "value": v, "url": who.url} for n, v in who.cookies.items()]
            )
            page = context.new_page()
            page.goto(f"{who.url}{address}")
            if words:
                page.get_by_text(words).first.wait_for(state="attached")
            if to:
                page.locator(to).first.evaluate("part => part.scrollIntoView()")
            light, dark = (_taken(page, theme) for theme in ("light", "dark"))
        finally:
            context.close()
        alt = f"Picture of the console's page: {caption}"
        return Figure(light, alt, caption, width, height, dark)


def _taken(page: "Page", theme: str) -> str:
    page.evaluate("theme => { document.documentElement.dataset.theme = theme }", theme)
    return data_uri("jpeg", page.screenshot(type="jpeg", quality=_QUALITY))


@contextmanager
def camera() -> Iterator[Camera]:
    """Start Chromium, or say why there will be no pictures of pages."""
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        yield Camera(None, "the Python package playwright is not installed here")
        return
    program = next(filter(None, map(shutil.which, _PROGRAMS)), None)
    if program is None:
        yield Camera(None, "no Chromium was found here")
        return
    with sync_playwright() as playwright:
        try:
            browser = chromium.start(playwright, program, _WAIT_MS)
        except Error as error:
            yield Camera(None, f"Chromium did not start here ({str(error).splitlines()[0]})")
            return
        try:
            yield Camera(browser)
        finally:
            browser.close()
