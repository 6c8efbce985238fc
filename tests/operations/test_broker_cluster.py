"""Three RabbitMQ nodes with our own topology: what the loss of one costs, measured and counted."""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

import pytest
from sqlalchemy import text

from schemas.channels import ASSESSMENT, SUBSCRIPTIONS
from schemas.envelope import Message, Payload
from services.runtime import outbox
from services.runtime.bus_amqp import AmqpBus
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.worker import Work, Worker
from tests.messages import clock_read
from tests.servers.polling import wait_until
from tests.servers.rabbitmq_cluster import NODES, RabbitMQCluster

pytestmark = [pytest.mark.drill, pytest.mark.broker, pytest.mark.timeout(900)]

TIMEOUT_S = 180.0
IN_A_PAGE = 20


@pytest.fixture(scope="module")
def cluster() -> Iterator[RabbitMQCluster]:
    with RabbitMQCluster() as made:
        yield made


class Line:
    """Facts by outbox and relay into the cluster, and out of it by a worker with its inbox."""

    def __init__(self, url: str, folder: Path) -> None:
        self.store = Store(f"sqlite:///{folder / 'store.sqlite'}")
        migrate(self.store)
        with self.store.begin() as connection:
            connection.execute(text("CREATE TABLE effect (message_id VARCHAR(36), told INTEGER)"))
        self.put = 0
        self.worked_at: list[float] = []
        self._stop = Event()
        self._feeding = Event()
        self._feeding.set()
        self.buses = [AmqpBus(url, name=f"drill-{end}") for end in ("out", "in")]
        self.buses[0].declare(SUBSCRIPTIONS)
        relay = Relay("source", self.store, self.buses[0])
        back = Relay("assessment", self.store, self.buses[1])
        worker = Worker("assessment", ASSESSMENT, self.store, self.buses[1], back, self._handle)
        runs = (relay.run, worker.run, self._feed)
        self._threads = [Thread(target=run, args=(self._stop,)) for run in runs]

    def _handle(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        told = [{"id": str(one.id), "told": int(one.correlation_id)} for one in messages]
        work.connection.execute(text("INSERT INTO effect VALUES (:id, :told)"), told)
        self.worked_at.append(time.monotonic())

    def _feed(self, stop: Event) -> None:
        while not stop.wait(0.05):
            if self._feeding.is_set():
                numbers = range(self.put, self.put + IN_A_PAGE)
                page = [clock_read(n, correlation_id=str(n)) for n in numbers]
                with self.store.begin() as connection:
                    outbox.put(connection, "source", page)
                self.put += IN_A_PAGE

    def effects(self) -> tuple[int, int]:
        """Count the effects, and the different facts that had one."""
        with self.store.read() as connection:
            query = text("SELECT count(*), count(DISTINCT told) FROM effect")
            rows, different = connection.execute(query).one()
        return int(rows), int(different)

    def goes_on(self) -> None:
        """Wait until a fact that is put from now on has had its effect."""
        first = self.put + IN_A_PAGE
        query = text("SELECT count(*) FROM effect WHERE told >= :first")

        def arrived() -> bool:
            with self.store.read() as connection:
                return bool(connection.scalar(query, {"first": first}))

        wait_until(arrived, TIMEOUT_S, "a fact told from now on to have its effect")

    def longest_pause(self, since: float) -> float:
        """Give the longest time in seconds without an effect that ended after a moment."""
        pairs = list(zip(self.worked_at, self.worked_at[1:], strict=False))
        return max(after - before for before, after in pairs if after > since)

    def settle(self) -> None:
        """Feed no more, and wait until every fact has had its effect."""
        self._feeding.clear()
        wait_until(lambda: self.effects()[1] >= self.put, TIMEOUT_S, "every fact's effect")
        wait_until(lambda: self.buses[1].depth(ASSESSMENT.queue) == 0, TIMEOUT_S, "no message left")

    @contextmanager
    def running(self) -> Iterator[None]:
        for thread in self._threads:
            thread.start()
        try:
            yield
        finally:
            self._stop.set()
            for thread in self._threads:
                thread.join()
            for bus in self.buses:
                bus.close()
            self.store.close()


def _is_whole(cluster: RabbitMQCluster) -> bool:
    return all(cluster.running(node) == len(NODES) for node in cluster.nodes)


def test_each_node_is_killed_in_turn_and_no_fact_is_lost_or_has_two_effects(
    cluster: RabbitMQCluster, tmp_path: Path
) -> None:
    # given
    url = cluster.create_vhost()
    line = Line(url, tmp_path)
    leader = cluster.leader_of(cluster.nodes[0], url, ASSESSMENT.queue)
    first, last = (node for node in cluster.nodes if node is not leader)
    figures: list[tuple[str, float, float]] = []
    with line.running():
        line.goes_on()

        # when
        for lost in (first, leader, last):
            asked = next(node for node in cluster.nodes if node is not lost)
            leads = cluster.leader_of(asked, url, ASSESSMENT.queue) is lost
            began = time.monotonic()
            lost.crash()
            line.goes_on()
            pause = line.longest_pause(began)
            began = time.monotonic()
            lost.start()
            wait_until(lambda: _is_whole(cluster), TIMEOUT_S, "the cluster to be whole again")
            back = time.monotonic() - began
            figures.append(("leader" if leads else "follower", round(pause, 2), round(back, 1)))
            line.goes_on()
        line.settle()

        # then
        assert "leader" in {which for which, *_ in figures}
        assert line.effects() == (line.put, line.put)
    print("killed, longest pause in s, s until it is back:", figures, line.put, "facts")


def test_without_a_majority_facts_wait_in_the_outbox_and_go_out_when_it_is_back(
    cluster: RabbitMQCluster, tmp_path: Path
) -> None:
    # given
    line = Line(cluster.create_vhost(), tmp_path)
    with line.running():
        line.goes_on()

        # when
        for node in cluster.nodes[1:]:
            node.crash()
        put = line.put
        wait_until(lambda: line.put > put + 100, TIMEOUT_S, "facts to be kept meanwhile")
        for node in cluster.nodes[1:]:
            node.start()
        began = time.monotonic()
        line.goes_on()
        after = time.monotonic() - began
        line.settle()

        # then
        assert line.effects() == (line.put, line.put)
    print("goes on", round(after, 1), "s after both are back;", line.put, "facts")
