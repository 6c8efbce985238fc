"""The watched folders and files of all devices: one loop that looks at each in turn."""

from pathlib import Path
from threading import Event
from typing import Protocol

import structlog

from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind, Group, Site
from schemas.mappings import load_mapping
from services.intake.appended_file import AppendedFile
from services.intake.line_keeper import LineKeeper
from services.intake.tail_store import LONGEST_PATH
from services.intake.watched_folder import WatchedFolder
from services.runtime.service import Loop, Runtime
from services.runtime.settings import Settings, WatchedSettings
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_LONGEST_WAIT_S = 30.0


class Source(Protocol):
    """A folder or file that is looked at again and again."""

    path: Path

    def look(self, stop: Event) -> None:
        """Keep what is new."""


class Watcher:
    """Looks at every source in turn. Trouble with one delays that one alone."""

    def __init__(self, sources: list[Source], poll_s: float) -> None:
        self._sources = sources
        self._poll_s = poll_s
        self._rests: dict[int, int] = {}
        self._misses: dict[int, int] = {}

    def run(self, stop: Event) -> None:
        """Look until stopped."""
        while not stop.is_set():
            for number, source in enumerate(self._sources):
                if stop.is_set():
                    return
                if self._rests.get(number, 0) > 0:
                    self._rests[number] -= 1
                    continue
                self._look(number, source, stop)
            stop.wait(self._poll_s)

    def _look(self, number: int, source: Source, stop: Event) -> None:
        try:
            source.look(stop)
        except (OSError, StoreUnavailable) as error:
            misses = self._misses.get(number, 0) + 1
            self._misses[number] = misses
            # Twice as long each time, up to a limit, counted in looks.
            most = max(1, int(_LONGEST_WAIT_S / self._poll_s))
            self._rests[number] = min(2 ** min(misses, 16) - 1, most)
            log.warning("watch_waits", path=str(source.path), reason=str(error), misses=misses)
        else:
            self._misses.pop(number, None)


def watch_loop(runtime: Runtime) -> Loop | None:
    """Make the loop of the settings' watched folders and files; None where there are none.

    Raises InvalidInput, naming the setting or the field of the mapping that is wrong.
    """
    watched = runtime.settings.intake.watched
    if not watched:
        return None
    sources = [_source(runtime, number, one) for number, one in enumerate(watched)]
    paths = [source.path for source in sources]
    if len(set(paths)) != len(paths):
        raise InvalidInput("GOMPHOSIS_INTAKE__WATCHED", None, "each folder and file once")
    watcher = Watcher(sources, runtime.settings.intake.watch_poll_s)
    return Loop("watched", watcher.run)


def _source(runtime: Runtime, number: int, watched: WatchedSettings) -> Source:
    setting = f"GOMPHOSIS_INTAKE__WATCHED__{number}"
    site, device = find_generator(runtime.group, watched.device, watched.site, f"{setting} ")
    mapping = load_mapping(mapping_path(runtime.settings, watched.mapping))
    keeper = LineKeeper(
        runtime.service, runtime.group.name, site, device, mapping, runtime.store, runtime.relay
    )
    path = (watched.folder or watched.file or Path()).absolute()
    if len(str(path)) > LONGEST_PATH or not str(path).isprintable():
        raise InvalidInput(
            setting, str(path), f"a printable path of at most {LONGEST_PATH} characters"
        )
    return WatchedFolder(keeper, path) if watched.folder else AppendedFile(keeper, path)


def mapping_path(settings: Settings, path: Path) -> Path:
    """Give the path of a mapping: a relative one lies in ``mappings/`` of the group's folder."""
    return path if path.is_absolute() else settings.group_dir / "mappings" / path


def find_generator(
    group: Group, name: str, site_name: str | None, where: str = ""
) -> tuple[Site, Device]:
    """Find a generator by its name, and by its site where two sites have one of that name.

    Raises InvalidInput; ``where`` stands before the name of the field.
    """
    sites = [group.site(site_name)] if site_name else list(group.sites)
    found = [
        (site, device)
        for site in sites
        for device in site.generators()
        if device.name == name and device.kind is DeviceKind.GENERATOR
    ]
    if len(found) == 1:
        return found[0]
    if found:
        raise InvalidInput(f"{where}site", None, "the site, since several have such a device")
    known = [device.name for site in sites for device in site.generators()]
    raise InvalidInput(
        f"{where}device", name, f"a generator of group.yaml: {', '.join(known) or 'none there'}"
    )
