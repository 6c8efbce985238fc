"""The evening of three hospitals as one command, and the page that it ends in."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.looking import look
from tests.servers.private import plain_environment

TROUBLES = 10
REPOSITORY = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the day; whatever did not come out as told ended it with 1."""
    out = tmp_path_factory.mktemp("evening")
    run = subprocess.run(
        [sys.executable, "-m", "demo.evening", "--out", str(out)],
        cwd=REPOSITORY,
        env=plain_environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    return out / "evening.html"


@pytest.mark.drill
@pytest.mark.timeout(1800)
def test_the_evening_comes_out_as_told_and_its_page_tells_it_by_itself(
    evening: Path, page: Page
) -> None:
    # given
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))

    # when
    page.goto(evening.as_uri())

    # then: every trouble with what was checked of it, and every picture there
    expect(page.get_by_role("list", name="Checked while it ran")).to_have_count(TROUBLES)
    pictures = page.locator("img")
    shown = pictures.evaluate_all("all => all.filter(one => one.complete && one.naturalWidth > 0)")
    assert len(shown) == pictures.count() > TROUBLES
    assert page.get_by_text("No pictures of the console's pages").count() == 0
    expect(page.get_by_text("✓ balances")).to_have_count(3)
    outside = [url for url in asked if not url.startswith(("data:", "file:"))]
    assert outside == [], "the page asks nobody for anything"
    look(page, "evening")
    assert page.pdf(prefer_css_page_size=True)[:5] == b"%PDF-", "it can be printed"
