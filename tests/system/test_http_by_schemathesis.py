"""The short form of ``tests.http_campaign``: every route of both HTTP doors, as each role."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from services.console.access import RULES
from tests.console_walk import is_live, is_slow
from tests.http_campaign import Doors, running_doors, walk_console, walk_intake, walk_live

pytestmark = pytest.mark.drill


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Doors]:
    with running_doors(tmp_path_factory.mktemp("doors")) as both:
        yield both


def test_no_request_to_a_page_fails_on_our_side_or_comes_back_as_markup(doors: Doors) -> None:
    asked = walk_console(doors, examples=2)

    wanted = {f"{m} {path}" for m, path in RULES if not (is_live(path) or is_slow(path))}
    assert set(asked) == wanted


def test_no_question_breaks_what_pages_listen_to(doors: Doors) -> None:
    walk_live(doors, examples=8)


def test_no_body_of_facts_fails_on_our_side(doors: Doors) -> None:
    assert walk_intake(doors, examples=2) > 0
