"""How a service is put together and run: its loops, its relay, its health, its end."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from importlib.metadata import entry_points, version
from signal import Signals
from threading import Event, Thread
from typing import Any

import structlog

from schemas.channels import Subscription
from schemas.errors import GomphosisError
from schemas.group import Group
from services.runtime import inbox, triage
from services.runtime.audit_writer import AuditWriter
from services.runtime.bus import Bus, BusLimits, BusUnavailable
from services.runtime.bus_choice import open_bus
from services.runtime.certificates import own_certificates
from services.runtime.checks import checks_of
from services.runtime.health import HealthServer
from services.runtime.here import subscriptions_here
from services.runtime.live_group import GroupWatch
from services.runtime.metrics import QUEUE_DEPTH, TRIAGE_OPEN
from services.runtime.operations.measured import measure_machine
from services.runtime.outbox import Relay
from services.runtime.settings import Settings
from services.runtime.stop_signals import when_told_to_stop
from services.runtime.store import Store, StoreUnavailable
from services.runtime.worker import Handler, Worker

log = structlog.get_logger(__name__)

ENTRY_POINTS = "gomphosis.services"
NODE_ENTRY_POINTS = "gomphosis.node_services"
_REMEMBER_MESSAGES = timedelta(days=30)
_HOUSEKEEPING_S = 15.0


class ServiceError(GomphosisError):
    """A service cannot be built or run."""


@dataclass(frozen=True, slots=True)
class Loop:
    """One thread of a service. ``run`` returns soon after its event is set."""

    name: str
    run: Callable[[Event], None]
    ready: Callable[[], bool] = lambda: True


@dataclass(slots=True)
class Runtime:
    """What a service is built from."""

    service: str
    settings: Settings
    group: Group
    store: Store
    bus: Bus
    relay: Relay
    audit: AuditWriter
    group_watch: GroupWatch

    def worker(
        self,
        subscription: Subscription,
        handler: Handler,
        committed: Callable[[], None] = lambda: None,
    ) -> Loop:
        """Make the loop that runs a handler on a subscription, and ``committed`` after it."""
        worker = Worker(
            self.service, subscription, self.store, self.bus, self.relay, handler, committed
        )
        return Loop("worker", worker.run, worker.ready)

    def about(self) -> dict[str, Any]:
        """Say what this process is and how it stands, by what is at hand without asking anybody."""
        group, records = self.group_watch.now, self.settings.records
        return {
            "service": self.service,
            "version": version("gomphosis"),
            "now": datetime.now(UTC).isoformat(),
            "group": {
                "sha256": group.sha256,
                "taken_up_at": group.taken_up_at.isoformat(),
                "refused": group.refused,
            },
            "record_adapter": records.adapter,
            "postings_per_minute": records.postings_per_minute,
            "certificates": [one.as_dict() for one in own_certificates(self.settings)],
        }


@dataclass(slots=True)
class Service:
    """A built service: what ``build(runtime)`` of each service's ``service.py`` returns."""

    name: str
    loops: Sequence[Loop]
    close: Callable[[], None] = lambda: None


def service_names() -> list[str]:
    """List the installed services by their entry points."""
    return sorted(point.name for point in entry_points(group=ENTRY_POINTS))


def services_here(settings: Settings) -> list[str]:
    """List what runs on this machine: every service, or, at a site's own node, those of a node."""
    if settings.forward.url:
        return sorted(subscription.queue for subscription in subscriptions_here(settings))
    return service_names()


def open_runtime(service: str, settings: Settings) -> Runtime:
    """Open store and bus for a service. The bus may be down now: it is reconnected later."""
    limits = BusLimits(
        prefetch=settings.bus.prefetch,
        batch=settings.bus.batch,
        delivery_limit=settings.bus.delivery_limit,
        retry_waits_s=settings.bus.retry_waits_s,
        blocked_timeout_s=settings.bus.blocked_timeout_s,
    )
    store = Store(settings.store_url, settings.store.pool_size)
    bus = open_bus(settings.bus_url, limits, f"gomphosis-{service}")
    watch = GroupWatch(settings.group_dir)
    relay, audit = Relay(service, store, bus), AuditWriter(service, store)
    return Runtime(service, settings, watch.group, store, bus, relay, audit, watch)


def build(runtime: Runtime) -> Service:
    """Build a service by its entry point's name. Raises ServiceError for an unknown one."""
    points = (*entry_points(group=ENTRY_POINTS), *entry_points(group=NODE_ENTRY_POINTS))
    for point in points:
        if point.name == runtime.service:
            made: Service = point.load()(runtime)
            return made
    known = ", ".join(service_names())
    raise ServiceError(f"service {runtime.service}: expected one of {known}")


@dataclass(slots=True)
class Runner:
    """Runs one service until it is told to stop or a part of it fails."""

    runtime: Runtime
    health_port: int
    stop: Event = field(default_factory=Event)
    _failed: list[str] = field(default_factory=list)

    def run(self) -> int:
        """Run to the end; 0 where it was told to stop, 1 where a part failed."""
        when_told_to_stop(self._told_to_stop)
        if not self._declare_topology():
            return 0
        service = build(self.runtime)
        loops = [
            *service.loops,
            Loop("relay", self.runtime.relay.run),
            Loop("housekeeping", self._keep_house),
            Loop("group", self.runtime.group_watch.run),
        ]
        threads = {
            loop.name: Thread(target=self._guard, args=(loop,), name=loop.name) for loop in loops
        }
        health = HealthServer(
            self.runtime.settings.health,
            self.health_port,
            healthy=lambda: {name: thread.is_alive() for name, thread in threads.items()},
            ready=lambda: {loop.name: loop.ready() for loop in loops},
            about=self.runtime.about,
            checks=self._checks,
        )
        for thread in threads.values():
            thread.start()
        health.start()
        log.info("service_started", health_port=health.port)
        self.stop.wait()
        for thread in threads.values():
            thread.join()
        health.stop()
        service.close()
        self.runtime.bus.close()
        self.runtime.store.close()
        log.info("service_stopped", failed=self._failed)
        return 1 if self._failed else 0

    def _guard(self, loop: Loop) -> None:
        try:
            loop.run(self.stop)
        except Exception:
            if self.stop.is_set():
                log.info("loop_ended_while_stopping", loop=loop.name)
            else:
                log.exception("loop_failed", loop=loop.name)
                self._failed.append(loop.name)
        else:
            if not self.stop.is_set():
                log.error("loop_returned_early", loop=loop.name)
                self._failed.append(loop.name)
        self.stop.set()

    def _declare_topology(self) -> bool:
        """Declare every queue of the system before any work; wait for the bus as long as it takes.

        A queue that nobody declared would lose what is meant for a service that never ran.
        """
        wait_s = 0.2
        while not self.stop.is_set():
            try:
                self.runtime.bus.declare(subscriptions_here(self.runtime.settings))
            except BusUnavailable as error:
                log.warning("bus_waits", reason=str(error))
                self.stop.wait(wait_s)
                wait_s = min(wait_s * 2, 5.0)
            else:
                return True
        return False

    def _keep_house(self, stop: Event) -> None:
        pruned_at = time.monotonic()
        while not stop.is_set():
            measure_machine(self.runtime.settings.data_dir)
            try:
                with self.runtime.store.read() as connection:
                    TRIAGE_OPEN.set(triage.count_open(connection))
                for subscription in subscriptions_here(self.runtime.settings):
                    if subscription.queue == self.runtime.service:
                        depth = self.runtime.bus.depth(subscription.queue)
                        QUEUE_DEPTH.labels(subscription.queue).set(depth)
                if time.monotonic() - pruned_at > 3600:
                    with self.runtime.store.begin() as connection:
                        inbox.prune(connection, _REMEMBER_MESSAGES)
                    pruned_at = time.monotonic()
            except (StoreUnavailable, BusUnavailable) as error:
                log.warning("housekeeping_waits", reason=str(error))
            stop.wait(_HOUSEKEEPING_S)

    def _checks(self) -> list[dict[str, Any]]:
        runtime = self.runtime
        found = checks_of(runtime.service, runtime.settings, runtime.group)
        return [verdict.as_dict() for verdict in found]

    def _told_to_stop(self, by: Signals) -> None:
        log.info("stopping", signal=by.name)
        self.stop.set()
