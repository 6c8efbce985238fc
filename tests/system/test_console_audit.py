"""Each view of a patient and each act is a deed: who, what, where from, when. By the table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from services.console.session_store import TAP
from services.runtime import deeds
from tests.assessed import STUDY
from tests.console_walk import addresses, is_live, is_open, is_slow, person_for, routes
from tests.http_campaign import KNOWN, Doors, running_doors

VALUES = {**KNOWN, "site": ("north",), "study": (STUDY,), "name": ("2.25.2001",)}


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Doors]:
    with running_doors(tmp_path_factory.mktemp("doors")) as both:
        yield both


def told(doors: Doors, since: datetime) -> list[Any]:
    with doors.console.runtime.store.read() as connection:
        return list(deeds.entries(connection, since, limit=10_000))


def test_each_view_is_a_deed_and_a_part_that_a_page_fetches_is_one_too_but_once(
    doors: Doors,
) -> None:
    since = datetime.now(UTC)
    expected: Counter[tuple[str, str]] = Counter()
    for _, path, rule in routes("GET"):
        if is_open(rule) or is_live(path) or is_slow(path):
            continue
        who = person_for(rule)
        names_something = set(path.split("/")) - {"{site}"} & {
            f"{{{name}}}" for name in VALUES if name != "site"
        }
        with doors.console.browser("north", who) as client:
            for address in addresses(path, VALUES):
                for _again in range(2):
                    answer = client.get(address)
                    assert answer.status_code < 500, address
                    if answer.status_code < 400:
                        expected[path, who] += 1
        if not rule.tap:
            once = min(1, expected[path, who])
            expected[path, who] = once if names_something else 0

    found = Counter((row.what, row.person) for row in told(doors, since))
    assert found == +expected
    for row in told(doors, since):
        assert (row.did, row.site, row.address) == ("saw", "north", "127.0.0.1")
        assert row.at >= since
        if "{study}" in row.what:
            assert f"study {STUDY}" in row.about


def test_an_act_is_a_deed_that_names_the_fact_that_it_made(doors: Doors) -> None:
    since = datetime.now(UTC)
    address = f"/sites/north/rooms/dental-1/studies/{STUDY}"
    with doors.console.browser("north", "vet-1") as client:
        form = {
            "csrf": doors.console.csrf(client),
            "tap": "0123456789abcdef",
            "what": "excuse",
            "view": "view-9",
            "reason": "an invented reason that is nobody's business but the fact's",
        }
        assert client.post(f"{address}/taps", data=form).status_code == 303
        assert client.post(f"{address}/taps", data=form | {"csrf": "x"}).status_code == 400

    (fact,) = doors.intake.facts("view_excused")
    (deed,) = [row for row in told(doors, since) if row.did == "did"]
    assert deed.person == fact.source.name == "vet-1"
    assert f"study {STUDY}" in deed.about
    assert f"fact {fact.natural_key}" in deed.about
    assert "business" not in deed.about, "what somebody typed is in the fact alone"
    with doors.console.runtime.store.read() as connection:
        assert connection.execute(TAP.select()).all()
