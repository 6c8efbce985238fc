"""Tokens, live pages, cookies and passwords: what a session bears, and when it is over."""

from __future__ import annotations

import base64
import json
from contextlib import ExitStack
from pathlib import Path
from threading import Event, Thread

import httpx
import pytest

from services.console.accounts import Account
from services.console.changes import MOST_OF_ONE
from services.console.pages.sign_in import SHARED_COOKIE
from services.console.security import FORM_COOKIE, SESSION_COOKIE
from services.runtime import audit, deeds
from tests.console_support import PASSWORD, RunningConsole, running_console
from tests.servers.polling import wait_until


def hidden(text: str, name: str) -> str:
    return text.split(f'name="{name}" value="', 1)[1].split('"', 1)[0]


def signed_in(running: RunningConsole, client: httpx.Client, name: str = "vet-1") -> httpx.Response:
    form = {"site": "north", "name": name, "password": PASSWORD}
    return client.post(
        "/sign-in", data=form | {"csrf": hidden(client.get("/sign-in").text, "csrf")}
    )


def test_a_sign_in_makes_a_new_session_and_takes_none_that_was_brought(
    running: RunningConsole,
) -> None:
    # given: a token that a stranger laid into the browser, and one of somebody who was there
    with running.browser() as client, running.browser("north", "billing-1") as before:
        old = before.cookies[SESSION_COOKIE]
        for brought in ("a" * 43, old):
            client.cookies.clear()
            client.cookies.set(SESSION_COOKIE, brought)
            if brought == old:
                csrf = running.csrf(client)
                form = {"site": "north", "name": "vet-1", "password": PASSWORD, "csrf": csrf}
                answer = client.post("/sign-in", data=form)
            else:
                answer = signed_in(running, client)

            # then
            assert answer.status_code == 303
            cookie = next(
                one for one in answer.headers.get_list("set-cookie") if SESSION_COOKIE in one
            )
            assert brought not in cookie
            assert running.console.sessions.find(brought) is None
            assert f'{FORM_COOKIE}=""' in str(answer.headers), "the form's proof is new too"


def test_two_sessions_of_one_person_share_neither_token_nor_proof_and_both_end_at_once(
    running: RunningConsole,
) -> None:
    with (
        running.browser("north", "lead-1") as here,
        running.browser("north", "lead-1") as there,
        running.browser("south", "lead-1") as other,
    ):
        assert here.cookies[SESSION_COOKIE] != there.cookies[SESSION_COOKIE]
        assert running.csrf(here) != running.csrf(there)

        # when
        answer = here.post("/sign-out-everywhere", data={"csrf": running.csrf(here)})

        # then
        assert answer.headers["location"] == "/sign-in?why=everywhere"
        assert here.get("/session").status_code == there.get("/session").status_code == 303
        assert other.get("/session").status_code == 200, "a namesake at another site"


def test_a_signed_out_page_hears_no_more_though_changes_come_all_the_time(
    running: RunningConsole, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.console.pages.live.HEARTBEAT_S", 0.2)
    stop = Event()

    def change() -> None:
        while not stop.wait(0.05):
            with running.runtime.store.begin() as connection:
                running.console.changes.tell(connection, ["site:north"])

    with running.browser("north", "vet-1") as client:
        token = client.cookies[SESSION_COOKIE]
        busy = Thread(target=change)
        busy.start()
        try:
            with client.stream("GET", "/live", params={"topic": "site:north"}) as stream:
                for line in stream.iter_lines():
                    if line == "event: site":
                        running.console.sessions.end(token)
                    if line == "event: ended":
                        return
        finally:
            stop.set()
            busy.join()
    pytest.fail("expected the end to be told")


def test_one_person_cannot_take_all_live_pages(running: RunningConsole) -> None:
    topic = {"topic": "site:north"}
    with (
        running.browser("north", "vet-1") as client,
        running.browser("north", "lead-1") as other,
        ExitStack() as open_pages,
    ):
        statuses = [
            open_pages.enter_context(client.stream("GET", "/live", params=topic)).status_code
            for _ in range(MOST_OF_ONE + 1)
        ]
        assert statuses == [200] * MOST_OF_ONE + [503]
        with other.stream("GET", "/live", params=topic) as stream:
            assert stream.status_code == 200


def test_a_made_up_cookie_of_a_shared_tablet_tells_no_name_of_the_staff(
    running: RunningConsole,
) -> None:
    for told in (
        base64.urlsafe_b64encode(json.dumps([["north/vet-1", "", ""]]).encode()).decode(),
        base64.urlsafe_b64encode(b"[" * 20_000).decode(),
        base64.urlsafe_b64encode(b'{"a": 1}').decode(),
        "north.vet-1 north.lead-1",
        "é",
    ):
        with running.browser() as client:
            answer = client.get("/sign-in", headers={b"Cookie": f"{SHARED_COOKIE}={told}".encode()})
            assert answer.status_code == 200
            assert "Invented Vet" not in answer.text


def test_wrong_passwords_cost_as_much_for_names_that_nobody_has(
    running: RunningConsole, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted, not timed: one comparison by Argon2, with the same parameters, whoever is named."""
    passwords = running.console.passwords
    compared: list[str] = []
    real = passwords._hasher.verify

    class Counted:
        def verify(self, stored: str, password: str) -> bool:
            compared.append("$".join(stored.split("$")[:4]))
            return real(stored, password)

    monkeypatch.setattr(passwords, "_hasher", Counted())
    with running.browser() as client:
        csrf = hidden(client.get("/sign-in").text, "csrf")
        for site, name in (("north", "trainee-1"), ("north", "nobody"), ("nowhere", "nobody")):
            form = {"site": site, "name": name, "password": "not it", "csrf": csrf}
            assert client.post("/sign-in", data=form).status_code == 403
    assert len(compared) == 3
    assert len(set(compared)) == 1


def test_only_a_proxy_of_the_settings_tells_who_asks(tmp_path: Path) -> None:
    with (
        running_console(tmp_path, trusted_proxies=["127.0.0.1"]) as one,
        one.browser("north", "vet-1") as client,
    ):
        client.get("/sites/north", headers={"X-Forwarded-For": "198.51.100.7, 192.0.2.66"})
        with one.runtime.store.read() as connection:
            assert deeds.entries(connection)[-1].address == "192.0.2.66", "the last, not the first"


def test_more_tries_than_thirty_a_minute_from_one_address_wait(tmp_path: Path) -> None:
    with running_console(tmp_path) as one, one.browser() as client:
        csrf = hidden(client.get("/sign-in").text, "csrf")
        for _ in range(30):
            one.console.tries_from_address.take("127.0.0.1")
        form = {"site": "north", "name": "vet-1", "password": PASSWORD, "csrf": csrf}
        answer = client.post("/sign-in", data=form)
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 0


def test_who_leaves_the_group_has_no_session_any_more(running: RunningConsole) -> None:
    found = running.runtime.group.person("north", "vet-1")
    assert found is not None
    site, person = found
    gone = Account(site, person.model_copy(update={"name": "somebody-gone"}))
    token = running.console.sessions.begin(gone, shared=False)

    assert running.console.sessions.find(token) is None


def test_a_deed_at_another_site_says_where_the_person_is_from(
    running: RunningConsole,
) -> None:
    with running.browser("north", "lead-all") as client:
        client.get("/sites/south")
    with running.runtime.store.read() as connection:
        newest = deeds.entries(connection)[-1]
    assert (newest.person, newest.site) == ("lead-all", "south")
    assert newest.about == "site south, person of north"
    assert newest.address == "127.0.0.1"


def test_refusals_of_forms_and_sites_are_in_the_audit(tmp_path: Path) -> None:
    # A console of its own: the walks above are refused so often that the audit counts together.
    with running_console(tmp_path) as running:
        with running.browser("north", "trainee-1") as client:
            client.post("/sign-out", data={"csrf": "made up"})

        def told() -> bool:
            with running.runtime.store.read() as connection:
                rows = audit.entries(connection)
            return any(
                (row.refused, row.holder) == ("POST without its form", "trainee-1") for row in rows
            )

        wait_until(told, 30, "the refusal in the audit")
