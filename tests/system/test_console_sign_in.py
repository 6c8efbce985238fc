"""Signing in over a real socket: passwords, forms, cookies, limits, the end of a session."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import update

from services.console.security import HEADERS, SESSION_COOKIE
from services.console.session_store import SESSION
from services.console.visit import local_path
from tests.console_support import PASSWORD, RunningConsole, running_console


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    with running_console(tmp_path_factory.mktemp("console")) as one:
        yield one


def form_of(client: httpx.Client, address: str = "/sign-in") -> dict[str, str]:
    page = client.get(address)
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page.text)
    return dict(hidden)


def sign_in(
    client: httpx.Client, name: str, password: str = PASSWORD, **more: str
) -> httpx.Response:
    return client.post(
        "/sign-in",
        data=form_of(client) | {"site": "north", "name": name, "password": password} | more,
    )


def test_a_password_signs_in_with_a_cookie_that_no_script_reads(running: RunningConsole) -> None:
    with running.browser() as client:
        answer = sign_in(client, "vet-1")

        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=lax" in cookie
        assert "Secure" not in cookie, "this console is reached by http"
        assert "Invented Vet" in client.get("/sites/north").text


def test_behind_https_cookies_are_secure_and_the_browser_stays_with_https(tmp_path: Path) -> None:
    with (
        running_console(tmp_path, public_url="https://console.example") as one,
        one.browser() as client,
    ):
        answer = client.get("/sign-in")

        assert "Secure" in answer.headers["set-cookie"]
        assert "Strict-Transport-Security" in answer.headers


def test_every_answer_carries_the_headers_and_no_page_holds_script_or_style_of_its_own(
    running: RunningConsole,
) -> None:
    with running.browser("north", "vet-1") as client:
        for path in ("/sites/north", "/sites/south", "/nothing", "/static/console.css"):
            answer = client.get(path)
            assert {name: answer.headers[name] for name in HEADERS} == HEADERS, path
            assert "unsafe" not in answer.headers["Content-Security-Policy"]
            assert not re.search(r"<style|<script(?! src=)|\sstyle=|\son\w+=", answer.text), path


def test_a_wrong_password_and_an_unknown_name_get_the_same_answer(running: RunningConsole) -> None:
    with running.browser() as client:
        wrong, unknown = sign_in(client, "lead-1", "not it"), sign_in(client, "nobody-1")

    assert (wrong.status_code, unknown.status_code) == (403, 403)
    told = [re.search(r"Not signed in.*?</p>", one.text, re.DOTALL) for one in (wrong, unknown)]
    assert told[0] is not None
    assert told[1] is not None
    assert told[0][0] == told[1][0]


def test_after_five_wrong_ones_the_right_one_waits(running: RunningConsole) -> None:
    with running.browser() as client:
        for _ in range(5):
            assert sign_in(client, "billing-1", "not it").status_code == 403

        answer = sign_in(client, "billing-1")

    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 0


def test_without_the_forms_own_proof_nothing_is_done(running: RunningConsole) -> None:
    with running.browser() as client:
        told = {"site": "north", "name": "vet-1", "password": PASSWORD}
        assert client.post("/sign-in", data=told).status_code == 400
        assert client.post("/sign-in", data=told | {"csrf": "x"}).status_code == 400
        assert (
            client.post(
                "/sign-in", data=told | form_of(client), headers={"Origin": "https://evil.example"}
            ).status_code
            == 400
        )
        assert SESSION_COOKIE not in client.cookies

    with running.browser("north", "vet-1") as client:
        assert client.post("/sign-out").status_code == 400
        assert client.get("/sites/north").status_code == 200
        assert client.post("/sign-out", data={"csrf": running.csrf(client)}).status_code == 303


def test_a_session_ends_by_idleness_sooner_on_a_shared_tablet_and_asking_is_no_tap(
    running: RunningConsole,
) -> None:
    def left(shared: bool) -> int:
        with running.browser("north", "admin-1", shared=shared) as client:
            return int(client.get("/session").json()["left_s"])

    assert left(shared=True) <= 300 < left(shared=False) <= 1_800

    with running.browser("north", "admin-1", shared=True) as client:
        with running.runtime.store.begin() as connection:
            before = running.console.sessions.find(client.cookies[SESSION_COOKIE])
            assert before is not None
            past = before.tapped_at.replace(year=before.tapped_at.year - 1)
            connection.execute(update(SESSION).values(tapped_at=past))
        page = client.get("/sites/north")
        part = client.get("/sites/north", headers={"HX-Request": "true"})
    assert page.headers["location"] == "/sign-in?next=/sites/north&why=ended"
    assert (part.status_code, "why=ended" in part.headers["HX-Redirect"]) == (401, True)


def test_switching_offers_who_was_here_and_leads_the_next_person_back(
    running: RunningConsole,
) -> None:
    with running.browser() as client:
        sign_in(client, "technician-1", shared="yes")
        old = client.cookies[SESSION_COOKIE]

        answer = client.post("/switch", data={"csrf": running.csrf(client), "next": "/sites/north"})
        page = client.get(answer.headers["location"])

        assert "Invented Technician" in page.text
        assert form_of(client, answer.headers["location"])["next"] == "/sites/north"
        assert running.console.sessions.find(old) is None


@pytest.mark.parametrize(
    "told", ["//evil.example", "https://evil.example", "/\\evil.example", "", None, "/a\r\nb", "x"]
)
def test_no_address_leads_away_from_the_console(told: str | None) -> None:
    assert local_path(told) == "/"


def test_what_is_too_large_or_too_fast_is_refused_in_plain_words(tmp_path: Path) -> None:
    with (
        running_console(tmp_path, taps_per_minute=3, max_body_bytes=1_000) as one,
        one.browser("north", "vet-1") as client,
    ):
        large = client.post("/session/stay", content=b"x" * 2_000)
        answers = [client.get("/sites/north") for _ in range(4)]

    assert large.status_code == 413
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429]
    assert "What to do" in answers[-1].text
    assert int(answers[-1].headers["Retry-After"]) > 0
