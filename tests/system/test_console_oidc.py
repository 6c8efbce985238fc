"""Signing in by an OpenID provider: a small real one, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from services.console.pages.oidc import PENDING_COOKIE
from services.console.security import SESSION_COOKIE
from tests.console_support import RunningConsole, running_console
from tests.oidc_provider import CLIENT, SECRET
from tests.servers.polling import wait_until
from tests.servers.ports import free_port, port_is_open

FAILED = "/sign-in?why=failed"


@pytest.fixture(scope="module")
def provider() -> Iterator[str]:
    port = free_port()
    process = subprocess.Popen([sys.executable, "-m", "tests.oidc_provider", str(port)])
    try:
        wait_until(lambda: port_is_open(port), 60, "the provider to listen")
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(30)


@pytest.fixture(scope="module")
def running(provider: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    port = free_port()
    oidc = {"issuer": provider, "client_id": CLIENT, "client_secret": SECRET}
    folder = tmp_path_factory.mktemp("console")
    with running_console(folder, port=port, oidc=oidc) as one:
        yield one


@pytest.fixture
def browser(running: RunningConsole, provider: str) -> Iterator[httpx.Client]:
    behave(provider)
    with running.browser() as client:
        yield client


def behave(provider: str, **wrong: Any) -> None:
    httpx.post(f"{provider}/behave", json=wrong, timeout=60)


def come_back(browser: httpx.Client) -> str:
    """Go to the provider and give the address that it sends the browser back to."""
    sent = browser.get("/oidc/start?next=/sites/north")
    return httpx.get(sent.headers["location"], timeout=60).headers["location"]


def test_whom_the_provider_names_is_signed_in_and_led_back(browser: httpx.Client) -> None:
    # when
    answer = browser.get(come_back(browser))

    # then
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites/north")
    assert "Invented Vet" in browser.get("/sites/north").text
    assert PENDING_COOKIE not in browser.cookies


def test_the_browser_is_sent_with_state_nonce_and_a_hashed_verifier_new_each_time(
    browser: httpx.Client,
) -> None:
    asked = [
        parse_qs(urlsplit(browser.get("/oidc/start").headers["location"]).query) for _ in range(2)
    ]

    for name in ("state", "nonce", "code_challenge"):
        assert len(asked[0][name][0]) >= 40
        assert asked[0][name] != asked[1][name]
    assert asked[0]["code_challenge_method"] == ["S256"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"claims": {"nonce": "another"}},
        {"claims": {"aud": "another-client"}},
        {"claims": {"iss": "https://evil.example"}},
        {"claims": {"exp": 1_000_000_000}},
        {"claims": {"sub": "invented-stranger"}},
        {"key": True},
    ],
    ids=str,
)
def test_a_token_that_cannot_be_believed_signs_nobody_in(
    browser: httpx.Client, provider: str, wrong: dict[str, Any]
) -> None:
    address = come_back(browser)
    behave(provider, **wrong)

    answer = browser.get(address)

    assert answer.headers["location"] == FAILED
    assert SESSION_COOKIE not in browser.cookies


def test_a_code_that_was_begun_in_another_browser_or_comes_twice_signs_nobody_in(
    running: RunningConsole, browser: httpx.Client
) -> None:
    # given
    address = come_back(browser)

    # when, then: a browser that began nothing, and one that began another sign-in
    with running.browser() as other:
        assert other.get(address).headers["location"] == FAILED
        other.get("/oidc/start")
        assert other.get(address).headers["location"] == FAILED

    pending = browser.cookies[PENDING_COOKIE]
    assert browser.get(address).headers["location"] == "/sites/north"
    with running.browser() as thief:
        thief.cookies.set(PENDING_COOKIE, pending)
        assert thief.get(address).headers["location"] == FAILED, "the code is used up"


def test_a_refusal_of_the_provider_is_told(browser: httpx.Client) -> None:
    state = parse_qs(urlsplit(browser.get("/oidc/start").headers["location"]).query)["state"][0]

    answer = browser.get(f"/oidc/callback?error=access_denied&state={state}")

    assert "did not let you in" in browser.get(answer.headers["location"]).text
