"""Looking at a page: as pictures in three sizes and two themes, and by the rules of axe."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Page

SCREENS: Final = Path(__file__).parents[1] / "out" / "screens"
SIZES: Final = {"desktop": (1280, 800), "tablet": (1024, 768), "phone": (390, 844)}
THEMES: Final = ("light", "dark")
ALWAYS: Final = {("desktop", "light"), ("tablet", "dark"), ("phone", "light")}
"""Each size and each theme; the other three too where ``LOOK_AT=all`` is set."""
_AXE: Final = Path(__file__).parent / "vendor" / "axe.min.js"
_RULES: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def look(page: Page, name: str) -> None:
    """Keep pictures of a page as it is now, and let axe find nothing wrong in it.

    They lie in ``tests/out/screens/<name>-<size>-<theme>.png``. WCAG 2.2 AA by axe-core's rules;
    what those cannot see (words, order, sense) wants eyes: look at the pictures.
    """
    SCREENS.mkdir(parents=True, exist_ok=True)
    for theme in THEMES:
        page.evaluate("theme => { document.documentElement.dataset.theme = theme }", theme)
        for size, (width, height) in SIZES.items():
            if (size, theme) not in ALWAYS and os.environ.get("LOOK_AT") != "all":
                continue
            page.set_viewport_size({"width": width, "height": height})
            page.screenshot(path=SCREENS / f"{name}-{size}-{theme}.png", full_page=True)
            found = violations(page)
            assert found == [], f"{name}, {size}, {theme}: {found}"
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{name}, {size}: {wide} pixels wide, it scrolls sideways"
    page.set_viewport_size({"width": SIZES["tablet"][0], "height": SIZES["tablet"][1]})


def violations(page: Page) -> list[str]:
    """Name each broken rule of axe with the elements that break it."""
    # Evaluated by the debugger, not as a script of the page: the page's policy stays as it is.
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(_AXE.read_text(encoding="utf-8"))
    found: dict[str, Any] = page.evaluate(
        "rules => axe.run(document, { runOnly: { type: 'tag', values: rules } })", _RULES
    )
    return [
        f"{one['id']}: {one['help']} ({', '.join(str(node['target']) for node in one['nodes'])})"
        for one in found["violations"]
    ]
