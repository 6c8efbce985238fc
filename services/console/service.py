"""The console put together: its pages, its read model, the feed of changes, the house-keeping."""

from collections.abc import Callable
from functools import partial
from threading import Event

import structlog

from schemas.channels import CONSOLE
from schemas.group import Group
from services.console.app import build_app, build_console
from services.console.console import Console
from services.console.site_rules import load_site_rules
from services.console.upkeep import Upkeep
from services.console.worker import ConsoleHandler
from services.runtime.http_server import HttpDoor
from services.runtime.service import Loop, Runtime, Service
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_TIDY_EVERY_S = 60.0
_LOOKS_AT_ONCE = 200


def build(runtime: Runtime) -> Service:
    """Build the service; the port is bound here. Raises PortTaken, naming the setting."""
    settings = runtime.settings.console
    console = build_console(runtime)
    runtime.group_watch.when_changed(partial(_take_up, console))
    door = HttpDoor(
        build_app(console),
        settings.host,
        settings.port,
        "GOMPHOSIS_CONSOLE__PORT",
        idle_timeout_s=60.0,
        at_once=settings.max_live_pages + _LOOKS_AT_ONCE,
        trusted_proxies=settings.trusted_proxies,
    )

    def close() -> None:
        door.close()
        console.door.close()
        if console.provider is not None:
            console.provider.close()
        runtime.audit.finish()

    def tidy(stop: Event) -> None:
        _tidy(console, stop)

    return Service(
        runtime.service,
        [
            Loop("http", door.run, door.ready),
            runtime.worker(CONSOLE, ConsoleHandler(runtime.group), console.changes.wake),
            Loop("changes", console.changes.run),
            Loop("upkeep", Upkeep(runtime.store).run),
            Loop("tidy", tidy),
            Loop("lookout", console.operations.lookout.run),
            Loop("audit", runtime.audit.run),
        ],
        close,
    )


def _take_up(console: Console, new: Group) -> Callable[[], None]:
    """Read the rules of the sites that are new; those of the others stay until a restart."""
    added = tuple(site for site in new.sites if site.name not in console.rules)
    folder = console.operations.settings.group_dir
    own = load_site_rules(new.model_copy(update={"sites": added}), folder)

    def take_up() -> None:
        console.rules = {**console.rules, **own}

    return take_up


def _tidy(console: Console, stop: Event) -> None:
    while not stop.is_set():
        try:
            console.sessions.forget_ended()
            console.door.forget_old_taps()
        except StoreUnavailable as error:
            log.warning("tidying_waits", reason=str(error))
        stop.wait(_TIDY_EVERY_S)
