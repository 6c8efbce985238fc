"""Forms, methods, caches, frames, headers, ways back and files: walked over every route."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlsplit

import pytest

from services.runtime import deeds
from tests.console_support import RunningConsole
from tests.console_walk import NOTHING, addresses, is_live, is_open, is_slow, person_for, routes

VALUES: dict[str, Sequence[str]] = NOTHING | {"site": ("north",)}
FOREIGN = {"Origin": "https://evil.example"}


def test_no_form_of_any_route_is_taken_from_elsewhere_or_without_its_own_proof(
    running: RunningConsole,
) -> None:
    for _, path, rule in routes("POST"):
        who = "vet-1" if is_open(rule) else person_for(rule)
        with (
            running.browser("north", who) as client,
            running.browser("north", "billing-1") as other,
        ):
            own = running.csrf(client)
            for address in addresses(path, VALUES):
                refused = [
                    client.post(address),
                    client.post(address, data={"csrf": running.csrf(other)}),
                    client.post(address, data={"csrf": own}, headers=FOREIGN),
                    client.post(address, data={"csrf": own}, headers={"Origin": "null"}),
                    client.post(
                        address, headers={"X-CSRF-Token": own, "Sec-Fetch-Site": "cross-site"}
                    ),
                    client.post(address, params={"csrf": own}),
                ]
                assert {one.status_code for one in refused} == {400}, path
            assert client.get("/session").status_code == 200, f"{path} did something"


@pytest.mark.drill
def test_nothing_that_only_looks_changes_anything_but_by_post(running: RunningConsole) -> None:
    """RFC 9110 section 9.2.1 (from memory): GET is safe. The other methods are not there."""
    for _, path, _rule in routes():
        (address, *_) = addresses(path, VALUES)
        with running.browser("north", "lead-all") as client:
            for method in ("PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"):
                answer = client.request(method, address)
                assert answer.status_code == 405, (method, path)


def test_nothing_of_a_person_may_be_kept_by_a_cache_that_others_share(
    running: RunningConsole,
) -> None:
    """RFC 9111 section 5.2.2 (from memory): ``no-store`` or ``private``; ours alone ``public``."""
    for _, path, rule in routes("GET"):
        if is_open(rule) or is_live(path) or is_slow(path):
            continue
        with running.browser("north", person_for(rule)) as client:
            for address in addresses(path, VALUES):
                told = client.get(address).headers["Cache-Control"]
                assert {"no-store", "private"} & set(told.split(", ")), (address, told)
                assert "public" not in told, (address, told)


def test_no_page_may_stand_in_a_frame_and_none_asks_for_anything_from_elsewhere(
    running: RunningConsole,
) -> None:
    for _, path, rule in routes("GET"):
        if is_live(path) or is_slow(path):
            continue
        with running.browser("north", "vet-1" if is_open(rule) else person_for(rule)) as client:
            for address in addresses(path, VALUES):
                answer = client.get(address)
                assert answer.headers["X-Frame-Options"] == "DENY", address
                policy = answer.headers["Content-Security-Policy"].split("; ")
                assert "frame-ancestors 'none'" in policy, address
                assert {one.split(" ", 1)[1] for one in policy} == {"'self'", "'none'"}, address


@pytest.mark.drill
def test_a_host_or_proxy_header_that_somebody_made_up_stands_nowhere_in_any_answer(
    running: RunningConsole,
) -> None:
    made_up = {
        "Host": "evil.example",
        "X-Forwarded-Host": "evil.example",
        "X-Forwarded-Proto": "https",
        "X-Forwarded-For": "192.0.2.66",
        "Forwarded": "for=192.0.2.66;host=evil.example",
        "X-Original-URL": "/sites/south",
        "X-Rewrite-URL": "/sites/south",
    }
    for _, path, rule in routes("GET"):
        if is_live(path) or is_slow(path):
            continue
        with running.browser("north", "vet-1" if is_open(rule) else person_for(rule)) as client:
            for address in addresses(path, VALUES):
                for asked in (address, f"{address.rstrip('/')}/", f"/{address}"):
                    answer = client.get(asked, headers=made_up)
                    told = f"{answer.headers} {answer.text}"
                    assert "evil.example" not in told, asked
                    assert "Hospital South" not in told or address == "/sign-in", asked

    with running.runtime.store.read() as connection:
        assert "192.0.2.66" not in {row.address for row in deeds.entries(connection)}


@pytest.mark.parametrize(
    "told",
    [
        "//evil.example",
        "///evil.example",
        "/\\evil.example",
        "https:evil.example",
        "/%09/evil.example",
        "/\t/evil.example",
        "javascript:alert(1)",
        "/é/€",
        "/x\r\nSet-Cookie: a=b",
        "/x?a=b&why=out",
        "/" + "x" * 600,
    ],
)
def test_no_way_back_leads_away_or_breaks_the_answer(running: RunningConsole, told: str) -> None:
    with running.browser("north", "vet-1") as client:
        answers = [
            client.get("/sign-in", params={"next": told}),
            client.get("/sign-in", params={"next": told}, headers={"HX-Request": "true"}),
            client.post("/switch", data={"csrf": running.csrf(client), "next": told}),
        ]
    for answer in answers:
        where = answer.headers.get("location") or answer.headers.get("hx-redirect") or "/"
        parts = urlsplit(where)
        assert answer.status_code < 500
        assert (parts.scheme, parts.netloc) == ("", ""), where
        assert where.startswith("/"), where
        assert not where.startswith(("//", "/\\")), where
        assert "set-cookie: a" not in str(answer.headers).lower()
        if "/sign-in?why=switched" in where:
            assert where.count("&") == 1, "what was typed adds no further field"


@pytest.mark.parametrize(
    "name",
    [
        "../app.py",
        "..%2fapp.py",
        "%2e%2e%2fapp.py",
        "..%5capp.py",
        "%2fetc%2fpasswd",
        "console.css%00.js",
        "NOTICE",
        "....//app.py",
    ],
)
def test_no_file_but_ours_is_sent(running: RunningConsole, name: str) -> None:
    with running.browser("north", "lead-all") as client:
        answers = [client.get(f"/static/{name}")]
        for _, path, _rule in routes("GET"):
            if path.startswith("/static") or is_live(path) or is_slow(path):
                continue
            odd = VALUES | dict.fromkeys(set(VALUES) - {"site", "room"}, (name,))
            answers += [client.get(one) for one in addresses(path, odd) if name in one]
    assert answers[0].status_code in {404, 422}
    for answer in answers:
        assert answer.status_code < 500, answer.url
        assert "root:" not in answer.text
        assert "import " not in answer.text
