"""How Chromium is started, for the evening's pictures and for the tests of the pages."""

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

_ARGUMENTS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def start(playwright: "Playwright", program: str, timeout_ms: float) -> "Browser":
    """Start the program without a window. Raises playwright's Error where it does not start."""
    return playwright.chromium.launch(
        executable_path=program, headless=True, args=list(_ARGUMENTS), timeout=timeout_ms
    )
