"""The group as it stands now: ``group.yaml`` is taken up anew while the service runs, if it holds.

Whoever keeps the group object of a runtime sees the new one at once. What a service made of the
group at its start (rules by site, contexts of TLS) it makes anew by ``GroupWatch.when_changed``.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, Lock
from time import monotonic
from typing import Final

import structlog

from schemas.errors import GomphosisError, InvalidInput
from schemas.group import Group, load_group
from services.runtime.metrics import GROUP_REFUSED

log = structlog.get_logger(__name__)

GROUP_FILE: Final = "group.yaml"
_LOOK_EVERY_S: Final = 1.0
_ASK_AGAIN_S: Final = 15.0
"""A file that was refused may hold later as it is: a tariff that it names may have come.
Both lengths are invented."""

Prepare = Callable[[Group], Callable[[], None]]
"""Makes ready for a new group, or raises InvalidInput; what it gives is called once all are."""


class LiveGroup(Group):
    """A group whose content is replaced as a whole; each read sees one valid version."""

    @classmethod
    def of(cls, group: Group) -> "LiveGroup":
        return cls.model_construct(**group.__dict__)

    def take_up(self, new: Group) -> None:
        """Be the new group from now on."""
        # One assignment: another thread sees the old one or the new, never half of each.
        object.__setattr__(self, "__dict__", dict(new.__dict__))


@dataclass(frozen=True, slots=True)
class GroupNow:
    """Which content is in force, since when, and why a newer one was refused."""

    sha256: str
    taken_up_at: datetime
    refused: str | None = None


class GroupWatch:
    """Looks at the group's file, by its content. Raises InvalidInput where it does not hold now,
    so that no service starts without its group."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        sha256 = content_sha256(folder)
        self.group = LiveGroup.of(load_group(folder))
        self.now = GroupNow(sha256, datetime.now(UTC))
        self._prepares: list[Prepare] = []
        self._looking = Lock()
        self._refused_sha256 = ""
        self._ask_again_at = 0.0

    def when_changed(self, prepare: Prepare) -> None:
        """Have a part made ready before a new group is in force, and told once it is."""
        self._prepares.append(prepare)

    def run(self, stop: Event) -> None:
        """Look every second until stopped."""
        while not stop.wait(_LOOK_EVERY_S):
            self.look()

    def look(self) -> None:
        """Take up what the file says now, or say why not; the old group then stays in force."""
        with self._looking:
            try:
                self._look()
            except GomphosisError as error:
                self._refuse(str(error))

    def _look(self) -> None:
        sha256 = content_sha256(self._folder)
        if sha256 == self.now.sha256:
            if self.now.refused is not None:
                self._in_force(sha256, self.now.taken_up_at)
            return
        if sha256 == self._refused_sha256 and monotonic() < self._ask_again_at:
            return
        self._refused_sha256, self._ask_again_at = sha256, monotonic() + _ASK_AGAIN_S
        new = load_group(self._folder)
        if content_sha256(self._folder) != sha256:
            self._ask_again_at = 0.0  # it changed while it was read
            return
        check_change(self.group, new)
        ready = [prepare(new) for prepare in self._prepares]
        self.group.take_up(new)
        for take_up in ready:
            take_up()
        self._in_force(sha256, datetime.now(UTC))
        log.info("group_taken_up", sha256=sha256, sites=len(new.sites))

    def _in_force(self, sha256: str, since: datetime) -> None:
        self.now = GroupNow(sha256, since)
        self._refused_sha256 = ""
        GROUP_REFUSED.set(0)

    def _refuse(self, reason: str) -> None:
        if self.now.refused != reason:
            log.error("group_refused", reason=reason, in_force=self.now.sha256)
        self.now = GroupNow(self.now.sha256, self.now.taken_up_at, reason)
        GROUP_REFUSED.set(1)


def content_sha256(folder: Path) -> str:
    """Hash the group's file. Raises InvalidInput where it cannot be read."""
    file = folder / GROUP_FILE
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError as error:
        raise InvalidInput(str(file), error.strerror, "a file that can be read") from error


def check_change(old: Group, new: Group) -> None:
    """Refuse what running services cannot take up. Raises InvalidInput.

    Messages on their way carry the name of the group and of their site: a name that goes needs
    a moment when nothing is on its way.
    """
    if new.name != old.name:
        raise InvalidInput(
            f"{GROUP_FILE}: name", new.name, f"{old.name}; another name wants a restart of all"
        )
    names = {site.name for site in new.sites}
    gone = [site.name for site in old.sites if site.name not in names]
    if gone:
        expected = f"{', '.join(gone)} among them; a site is taken away by a restart of all"
        raise InvalidInput(f"{GROUP_FILE}: sites", sorted(names), expected)
