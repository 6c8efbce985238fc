"""Every route of the console, walked by nobody, by each role, at their own site and at another."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi.routing import APIRoute

from schemas.group import Role
from services.console.access import RULES, Rule, Scope, may
from services.console.accounts import Account
from services.console.app import build_app
from services.console.guard import GuardedRoute
from services.runtime import audit, deeds
from tests.console_support import ROLES, RunningConsole, running_console
from tests.servers.polling import wait_until


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    with running_console(tmp_path_factory.mktemp("console"), taps_per_minute=10_000) as one:
        yield one


def routes(running: RunningConsole) -> list[APIRoute]:
    found = build_app(running.console).routes
    assert all(isinstance(route, GuardedRoute) for route in found), "one went past the guard"
    return [route for route in found if isinstance(route, APIRoute)]


def method_of(route: APIRoute) -> str:
    return next(iter(route.methods or ()))


def ask(
    running: RunningConsole, client: httpx.Client, route: APIRoute, site: str
) -> tuple[int, str]:
    """Ask as a browser does, and give the status and where it is sent."""
    method = method_of(route)
    path = route.path.format(
        site=site, name="console.css", **dict.fromkeys(("room", "study", "entry"), "x")
    )
    headers = {}
    if method == "POST" and "console_session" in client.cookies:
        headers = {"X-CSRF-Token": running.csrf(client)}
    asked = client.build_request(
        method, path, headers=headers, params={"topic": f"site:{site}"} if method == "GET" else None
    )
    answer = client.send(asked, stream=True)
    answer.close()
    return answer.status_code, answer.headers.get("location", "")


def test_the_table_holds_each_route_and_nothing_else(running: RunningConsole) -> None:
    walked = {(method_of(route), route.path) for route in routes(running)}

    assert walked == set(RULES)
    for (_method, path), rule in RULES.items():
        assert ("{site}" in path) == (rule.scope is Scope.SITE), path


def test_nobody_reaches_anything_but_the_open_routes(running: RunningConsole) -> None:
    for route in routes(running):
        method = method_of(route)
        with running.browser() as client:
            status, sent_to = ask(running, client, route, "north")
        if RULES[method, route.path].scope is Scope.OPEN:
            assert status != 401, route.path
            assert not sent_to.startswith("/sign-in?next"), route.path
        else:
            assert status == 401 or sent_to.startswith("/sign-in?next="), route.path


@pytest.mark.parametrize("role", ROLES)
def test_each_role_reaches_its_own_at_its_own_site_alone(
    running: RunningConsole, role: str
) -> None:
    for route in routes(running):
        method = method_of(route)
        rule = RULES[method, route.path]
        for site in ("north", "south"):
            with running.browser("north", f"{role}-1") as client:
                status, sent_to = ask(running, client, route, site)
            own = site == "north" or (rule.scope is not Scope.SITE and route.path != "/live")
            own = own and rule.scope is not Scope.GROUP  # these people reach their own site
            mine = rule.scope is Scope.OPEN or (Role(role) in rule.roles and own)
            # A form that is sent without its fields is refused for them, and not for who sends it.
            if mine and not (method == "POST" and rule.scope is Scope.OPEN):
                assert status < 400 or status in {404, 422}, (route.path, site, status)
                assert "/sign-in?next" not in sent_to, (route.path, site)
            elif not mine:
                assert status == 403, (route.path, site, status)


def test_whoever_reaches_every_site_sees_them_all(running: RunningConsole) -> None:
    with running.browser("north", "lead-all") as client:
        assert client.get("/sites/south").status_code == 200
        assert "Invented Hospital South" in client.get("/").text
        assert client.get("/sites/east").status_code == 403


def test_what_changes_the_group_is_for_whoever_reaches_all_of_it(running: RunningConsole) -> None:
    for name, status in (("admin-all", 200), ("admin-1", 403), ("lead-all", 403)):
        with running.browser("north", name) as client:
            assert client.get("/operations/group/site").status_code == status, name


def test_a_rule_asks_for_role_and_site(running: RunningConsole) -> None:
    group = running.runtime.group
    found = group.person("north", "vet-1")
    assert found is not None
    vet = Account(*found)
    vets = Rule(Scope.SITE, frozenset({Role.VET}))
    billing = Rule(Scope.PERSON, frozenset({Role.BILLING}))

    assert may(vet, group, vets, "north")
    assert not may(vet, group, vets, "south")
    assert not may(vet, group, vets, None)
    assert not may(vet, group, billing, None)
    assert not may(None, group, vets, "north")


def test_views_and_refusals_are_in_the_audit(tmp_path: Path) -> None:
    # A console of its own: the walks above are refused so often that the audit counts together.
    with running_console(tmp_path) as running:
        look_around_and_find_it_in_the_audit(running)


def look_around_and_find_it_in_the_audit(running: RunningConsole) -> None:
    # when
    with running.browser("north", "technician-1") as client:
        client.get("/sites/north")
        client.get("/sites/south")
        client.get("/session")

    # then
    with running.runtime.store.read() as connection:
        seen = [
            (row.did, row.what, row.about, row.site)
            for row in deeds.entries(connection)
            if row.person == "technician-1"
        ]
    assert seen[-1] == ("saw", "/sites/{site}", "site north", "north")

    def refused() -> bool:
        with running.runtime.store.read() as connection:
            rows = audit.entries(connection)
        return any(
            (row.refused, row.holder) == ("GET /sites/{site}", "technician-1") for row in rows
        )

    wait_until(refused, 30, "the refusal in the audit")


def test_a_page_without_a_row_in_the_table_does_not_start(
    running: RunningConsole, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(RULES, ("GET", "/session"))

    with pytest.raises(KeyError, match="/session"):
        build_app(running.console)
