"""``gomphosis check`` says whether the console's token and TLS are right, and what to do."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
import uvicorn
from fastapi import FastAPI

from schemas.group import Group
from services.console.checks import check_console, check_used_console
from services.runtime.checks import Verdict
from services.runtime.settings import Settings
from tests.certificates import Pki
from tests.console_support import TOKEN, invented_group
from tests.servers.polling import wait_until
from tests.servers.ports import free_port


def verdict(name: str, group: dict[str, Any] | None = None, **console: Any) -> Verdict:
    settings = Settings.model_validate(
        {"console": {"token": TOKEN, "intake_url": f"http://127.0.0.1:{free_port()}"} | console}
    )
    told = Group.model_validate_json(json.dumps(group or invented_group()))
    return next(one for one in check_console(settings, told) if one.name == name)


def with_console(**values: Any) -> dict[str, Any]:
    group = deepcopy(invented_group())
    (device,) = group["sites"][0]["devices"]
    device.update(values)
    return group


def test_the_token_of_the_consoles_own_device_is_good() -> None:
    assert verdict("console token") == Verdict("console token", True, "that of console-1 of north")


@pytest.mark.parametrize(
    ("group", "console", "told"),
    [
        (None, {"token": ""}, "set GOMPHOSIS_CONSOLE__TOKEN"),
        (None, {"token": "another"}, "put token_sha256: "),
        (with_console(kind="tablet"), {}, "expected a device of kind console"),
        (with_console(speaks_for="site"), {}, "'speaks_for: group'"),
    ],
)
def test_a_token_that_is_not_right_says_what_to_do(
    group: dict[str, Any] | None, console: dict[str, Any], told: str
) -> None:
    found = verdict("console token", group, **console)

    assert not found.good
    assert told in found.words


@pytest.mark.parametrize(
    ("console", "good", "told"),
    [
        ({}, True, "this machine only"),
        ({"host": "0.0.0.0"}, False, "passwords go in the clear"),
        ({"public_url": "http://console.example"}, False, "passwords go in the clear"),
        ({"public_url": "https://console.example"}, False, "TRUSTED_PROXIES"),
        (
            {"public_url": f"https://127.0.0.1:{free_port()}", "trusted_proxies": ["127.0.0.1"]},
            False,
            "cannot be reached by TLS",
        ),
    ],
)
def test_how_browsers_reach_it_is_judged(console: dict[str, Any], good: bool, told: str) -> None:
    found = verdict("console TLS", **console)

    assert found.good is good
    assert told in found.words


def test_the_certificate_of_the_proxy_is_read_as_it_is_shown(tmp_path: Path) -> None:
    # given: a front with TLS whose certificate is good for two days
    certificate, key = Pki(tmp_path).server
    port = free_port()
    config = uvicorn.Config(
        FastAPI(), port=port, ssl_certfile=certificate, ssl_keyfile=key, log_config=None
    )
    front = uvicorn.Server(config)
    serving = Thread(target=front.run)
    serving.start()
    try:
        wait_until(lambda: front.started, 30, "the front to serve")

        # when
        found = verdict(
            "console TLS", public_url=f"https://127.0.0.1:{port}", trusted_proxies=["127.0.0.1"]
        )
    finally:
        front.should_exit = True
        serving.join()

    # then
    assert not found.good
    assert "days only: have it renewed" in found.words


def test_a_door_of_intake_that_does_not_answer_is_named() -> None:
    assert "start intake, or set GOMPHOSIS_CONSOLE__INTAKE_URL" in verdict("intake's door").words


@pytest.mark.parametrize(
    ("token", "asked"), [("", ["console"]), (TOKEN, ["console token", "console TLS"])]
)
def test_a_console_that_nobody_uses_is_no_fault_before_go_live(
    token: str, asked: list[str]
) -> None:
    settings = Settings.model_validate(
        {"console": {"token": token, "intake_url": f"http://127.0.0.1:{free_port()}"}}
    )
    group = Group.model_validate_json(json.dumps(invented_group()))

    verdicts = list(check_used_console(settings, group))

    assert [one.name for one in verdicts][:2] == asked
    assert verdicts[0].good
