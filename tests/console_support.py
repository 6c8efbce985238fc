"""An invented group with every role at two sites, and the console running in this process."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread
from typing import Any

import httpx
import yaml
from pydantic import SecretStr

from schemas.channels import SUBSCRIPTIONS
from schemas.group import Role
from services.console.accounts import Account
from services.console.console import Console
from services.console.security import SESSION_COOKIE
from services.console.service import build
from services.runtime.http_server import HttpDoor
from services.runtime.passwords import hash_password
from services.runtime.service import Runtime, open_runtime
from services.runtime.settings import ConsoleSettings, Settings, StoreSettings
from tests.newest_schema import bring_to_newest
from tests.servers.polling import wait_until

HOST = "127.0.0.1"
PASSWORD = "invented password of everybody"
TOKEN = "invented-token-console"
ROLES = tuple(role.value for role in Role)


def invented_group() -> dict[str, Any]:
    """Make a group: at each site a person of each role, at the north one more who sees both."""
    password = hash_password(PASSWORD)
    people = [
        {
            "name": f"{role}-1",
            "title": f"Invented {role.capitalize()}",
            "roles": [role],
            "password_argon2": password,
        }
        for role in ROLES
    ]
    group_lead = people[-1] | {"name": "lead-all", "roles": ["lead"], "reach": "group"}
    group_admin = group_lead | {
        "name": "admin-all",
        "title": "Invented Group Admin",
        "roles": ["admin"],
    }
    vet = next(one for one in people if one["name"] == "vet-1")
    vet["oidc_subject"] = "invented-subject-1"
    console = {
        "name": "console-1",
        "kind": "console",
        "speaks_for": "group",
        "token_sha256": hashlib.sha256(TOKEN.encode()).hexdigest(),
    }
    site = {"time_zone": "Europe/Vienna", "rooms": ["dental-1"], "tariff": "invented-2026"}
    north = site | {
        "name": "north",
        "title": "Invented Hospital North",
        "called_ae_title": "NORTH",
        "devices": [console],
        "people": [*people, group_lead, group_admin],
    }
    strangers = [
        {name: value for name, value in one.items() if name != "oidc_subject"} for one in people
    ]
    south = site | {
        "name": "south",
        "title": "Invented Hospital South",
        "called_ae_title": "SOUTH",
        "people": strangers,
    }
    return {"name": "invented-group", "title": "Invented Group", "sites": [north, south]}


@dataclass
class RunningConsole:
    """The console at its address."""

    runtime: Runtime
    console: Console
    url: str

    def browser(
        self, site: str | None = None, name: str = "", *, shared: bool = False
    ) -> httpx.Client:
        """A client with cookies, anonymous or with a session of this person."""
        client = httpx.Client(base_url=self.url, timeout=60)
        if site is not None:
            found = self.runtime.group.person(site, name)
            assert found is not None
            token = self.console.sessions.begin(Account(*found), shared=shared)
            client.cookies.set(SESSION_COOKIE, token)
        return client

    def csrf(self, client: httpx.Client) -> str:
        """The proof that a form of this browser carries."""
        signed_in = self.console.sessions.find(client.cookies[SESSION_COOKIE])
        assert signed_in is not None
        return signed_in.csrf


@contextmanager
def running_console(
    data_dir: Path, store_url: str = "", group: dict[str, Any] | None = None, **console: Any
) -> Iterator[RunningConsole]:
    """Run the console's loops on a free port of loopback."""
    group_dir = data_dir / "group"
    group_dir.mkdir(parents=True, exist_ok=True)
    (group_dir / "group.yaml").write_text(yaml.safe_dump(group or invented_group()))
    settings = Settings(
        data_dir=data_dir,
        group_dir=group_dir,
        store=StoreSettings(url=SecretStr(store_url)),
        console=ConsoleSettings.model_validate({"port": 0, "token": TOKEN} | console),
    )
    runtime = open_runtime("console", settings)
    bring_to_newest(runtime.store)
    runtime.bus.declare(SUBSCRIPTIONS)
    service = build(runtime)
    stop = Event()
    threads = [
        Thread(target=loop.run, args=(stop,), name=f"test-{loop.name}") for loop in service.loops
    ]
    http = next(loop for loop in service.loops if loop.name == "http")
    for thread in threads:
        thread.start()
    try:
        wait_until(http.ready, 60, "the console to listen")
        door: HttpDoor = http.run.__self__  # type: ignore[attr-defined]
        yield RunningConsole(runtime, door.app.state.console, f"http://{HOST}:{door.port}")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        service.close()
        runtime.bus.close()
        runtime.store.close()
