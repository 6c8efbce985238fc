"""Is this machine ready: settings, group, folders, store, bus, and what services add."""

import shutil
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import entry_points
from typing import Any, Final

from sqlalchemy import text

from schemas.errors import GomphosisError
from schemas.group import Group, load_group
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.certificates import own_certificates
from services.runtime.here import subscriptions_here
from services.runtime.migrate import current_revision, wanted_revision
from services.runtime.settings import Settings, load_settings
from services.runtime.store import Store

CHECKS = "gomphosis.checks"
_CLOCKS_APART: Final = timedelta(seconds=2)
"""More than this between this machine's clock and the database's is told. Invented."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One plain verdict, and the next action in its words where it is not good."""

    name: str
    good: bool
    words: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


ServiceCheck = Callable[[Settings, Group], Iterable[Verdict]]


def run_checks() -> list[Verdict]:
    """Run every check; one that fails does not stop the others."""
    try:
        settings = load_settings()
    except GomphosisError as error:
        return [Verdict("settings", False, str(error))]
    verdicts = [Verdict("settings", True, "all known and valid"), *common_checks(settings)]
    try:
        group = load_group(settings.group_dir)
    except GomphosisError as error:
        return [*verdicts, Verdict("group", False, str(error))]
    sites = ", ".join(site.name for site in group.sites)
    verdicts.append(Verdict("group", True, f"{group.name}: {sites}"))
    for point in entry_points(group=CHECKS):
        verdicts += checks_of(point.name, settings, group)
    return verdicts


def common_checks(settings: Settings) -> list[Verdict]:
    """Check what every service needs: folder, store, its clock, bus, certificates."""
    now = datetime.now(UTC)
    return [
        _check_data_folder(settings),
        _verdict("store", lambda: _check_store(settings)),
        _verdict("clock", lambda: _check_clock(settings)),
        _verdict("bus", lambda: _check_bus(settings)),
        *(
            Verdict(f"certificate {one.setting}", one.is_good(now), one.words(now))
            for one in own_certificates(settings)
        ),
    ]


def checks_of(service: str, settings: Settings, group: Group) -> list[Verdict]:
    """Run what one service adds; a check that fails is a verdict too."""
    verdicts: list[Verdict] = []
    for point in entry_points(group=CHECKS, name=service):
        check: ServiceCheck = point.load()
        try:
            verdicts.extend(check(settings, group))
        except GomphosisError as error:
            verdicts.append(Verdict(point.name, False, str(error)))
    return verdicts


def _verdict(name: str, check: Callable[[], str]) -> Verdict:
    try:
        return Verdict(name, True, check())
    except GomphosisError as error:
        return Verdict(name, False, str(error))


def _check_data_folder(settings: Settings) -> Verdict:
    folder = settings.data_dir.absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / ".write-probe"
        probe.write_bytes(b"probe")
        probe.unlink()
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return Verdict(
            "data folder", False, f"{folder}: expected to write there ({error.strerror})"
        )
    wanted = settings.intake.min_free_bytes
    words = f"{free // 1_000_000:,} MB free"
    if free < wanted:
        return Verdict("data folder", False, f"{words}: expected at least {wanted // 1_000_000:,}")
    return Verdict("data folder", True, words)


def _check_store(settings: Settings) -> str:
    store = Store(settings.store_url)
    try:
        found, wanted = current_revision(store), wanted_revision()
    finally:
        store.close()
    if found != wanted:
        raise GomphosisError(
            f"schema {found or 'none'}: expected {wanted}; run 'gomphosis migrate'"
        )
    return f"reached, schema {found}"


def _check_clock(settings: Settings) -> str:
    store = Store(settings.store_url)
    try:
        if store.is_sqlite:
            return "the store lies on this machine and has its clock"
        with store.read() as connection:
            before = datetime.now(UTC)
            told: datetime = connection.execute(text("SELECT clock_timestamp()")).scalar_one()
            after = datetime.now(UTC)
    finally:
        store.close()
    ahead = told.astimezone(UTC) - (before + (after - before) / 2)
    words = f"{abs(ahead.total_seconds()):.1f} s apart from the database's"
    if abs(ahead) > _CLOCKS_APART:
        raise GomphosisError(f"{words}: set both machines by the same time server")
    return words


def _check_bus(settings: Settings) -> str:
    bus = open_bus(settings.bus_url, BusLimits(), "gomphosis-check")
    try:
        heard = subscriptions_here(settings)
        bus.declare(heard)
        waiting = sum(bus.depth(subscription.queue) for subscription in heard)
    finally:
        bus.close()
    return f"reached, {waiting} messages wait"
