"""Every connection looked at: this machine's, and what each service says at ``/checks``."""

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

import httpx

from schemas.errors import GomphosisError
from schemas.group import Group
from services.console.checks import check_console
from services.console.operations.finding import start_of
from services.console.watch import asking
from services.runtime.checks import Verdict, common_checks
from services.runtime.settings import Settings

_ASK_S: Final = 60.0
"""A service asks its peers meanwhile, one after the other; each has time limits of its own."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What one part says. ``next`` is the next step where it is not good."""

    part: str
    verdicts: tuple[Verdict, ...]

    @property
    def good(self) -> bool:
        return all(one.good for one in self.verdicts)


def check_all(settings: Settings, group: Group, urls: Mapping[str, str]) -> list[Checked]:
    """Ask all at once; the parts in the order in which they are mended."""
    others = {name: url for name, url in sorted(urls.items()) if name != "console"}
    with ThreadPoolExecutor(max_workers=len(others) + 2) as pool:
        common = pool.submit(lambda: tuple(common_checks(settings)))
        console = pool.submit(lambda: tuple(_own(settings, group)))
        asked = {name: pool.submit(_ask, name, url) for name, url in others.items()}
        return [
            Checked("this machine", common.result()),
            Checked("console", console.result()),
            *(Checked(name, future.result()) for name, future in asked.items()),
        ]


def next_step(checked: list[Checked]) -> str:
    """Say what to do first."""
    for part in checked:
        for one in part.verdicts:
            if not one.good:
                return f"{part.part}, {one.name}: {one.words}"
    return (
        "Every connection is good. Add your sites and devices, then send a test image from a "
        "station and see that its last contact changes."
    )


def _own(settings: Settings, group: Group) -> Iterator[Verdict]:
    try:
        yield from check_console(settings, group)
    except GomphosisError as error:
        yield Verdict("console", False, str(error))


def _ask(service: str, url: str) -> tuple[Verdict, ...]:
    try:
        with asking(_ASK_S) as client:
            ready = client.get(f"{url}/readyz")
            told = client.get(f"{url}/checks").raise_for_status().json()
        parts = [name for name, good in dict(ready.json()).items() if not good]
        own = [_verdict(one) for one in told]
    except (httpx.HTTPError, ValueError, KeyError, TypeError) as error:
        words = f"no answer from {url} ({error}). {start_of(service)}"
        return (Verdict("answers", False, words),)
    words = "ready" if not parts else f"not ready: {', '.join(parts)}; look at its log"
    return (Verdict("answers", not parts, words), *own)


def _verdict(told: Any) -> Verdict:
    return Verdict(str(told["name"]), bool(told["good"]), str(told["words"]))
