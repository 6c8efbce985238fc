"""The health server tells the truth about its service, over a real socket."""

import json
from collections.abc import Iterator
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest

from services.runtime.health import HealthServer
from services.runtime.metrics import MESSAGES
from services.runtime.settings import HealthSettings

_PARTS = {"worker": True, "relay": True}


@pytest.fixture
def parts() -> Iterator[tuple[dict[str, bool], str]]:
    state = dict(_PARTS)
    server = HealthServer(HealthSettings(), 0, healthy=lambda: state, ready=lambda: state)
    server.start()
    yield state, f"http://127.0.0.1:{server.port}"
    server.stop()


def _get(url: str) -> tuple[int, str]:
    try:
        with urlopen(url, timeout=5) as answer:
            return int(answer.status), answer.read().decode()
    except HTTPError as error:
        return error.code, error.read().decode()


@pytest.mark.parametrize("path", ["/healthz", "/readyz"])
def test_it_is_good_while_every_part_is(parts: tuple[dict[str, bool], str], path: str) -> None:
    state, url = parts
    assert _get(url + path) == (200, json.dumps(_PARTS))

    state["worker"] = False

    status, body = _get(url + path)
    assert status == 503
    assert json.loads(body)["worker"] is False


def test_metrics_are_those_of_the_service(parts: tuple[dict[str, bool], str]) -> None:
    MESSAGES.labels("assessment", "clock_read", "done").inc()

    status, body = _get(parts[1] + "/metrics")

    assert status == 200
    assert 'gomphosis_messages_total{kind="clock_read",outcome="done",service="assessment"}' in body


def test_another_path_is_not_found(parts: tuple[dict[str, bool], str]) -> None:
    assert _get(parts[1] + "/etc/passwd")[0] == 404


def test_it_tells_what_it_is_and_asks_its_peers_once_for_a_while() -> None:
    asked: list[int] = []

    def checks() -> list[dict[str, object]]:
        asked.append(1)
        return [{"name": "record", "good": True, "words": "reached"}]

    nothing: dict[str, bool] = {}
    server = HealthServer(
        HealthSettings(), 0, lambda: nothing, lambda: nothing, lambda: {"version": "1"}, checks
    )
    server.start()
    url = f"http://127.0.0.1:{server.port}"
    about = _get(f"{url}/about")
    first, second = _get(f"{url}/checks"), _get(f"{url}/checks")
    server.stop()

    assert json.loads(about[1]) == {"version": "1"}
    assert json.loads(first[1])[0]["name"] == "record"
    assert second == first
    assert asked == [1]
