"""A private RabbitMQ cluster of three nodes on this machine."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from types import TracebackType
from typing import Self
from urllib.parse import urlsplit, urlunsplit

from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.rabbitmq import START_TIMEOUT_S, Kinship, RabbitMQ, require_rabbitmq

NODES = ("gomphosis-one@localhost", "gomphosis-two@localhost", "gomphosis-three@localhost")


class RabbitMQCluster:
    """Three nodes that know each other. The port mapper is the first one's, and outlives it."""

    def __init__(self) -> None:
        require_rabbitmq()
        kinship = Kinship(free_port(), secrets.token_hex(16), NODES)
        self.nodes: Sequence[RabbitMQ] = [RabbitMQ((), name, kinship) for name in NODES]

    def url(self, vhost_url: str) -> str:
        """Put every node into the address of a vhost on one of them."""
        parts = urlsplit(vhost_url)
        login = parts.netloc.rpartition("@")[0]
        hosts = ",".join(f"{LOOPBACK}:{node.port}" for node in self.nodes)
        return urlunsplit(parts._replace(netloc=f"{login}@{hosts}"))

    def create_vhost(self) -> str:
        """Make a fresh vhost, and return its address with every node in it."""
        return self.url(self.nodes[0].create_vhost())

    def start(self) -> None:
        """Start one after the other, so that each finds the one before and joins it."""
        for number, node in enumerate(self.nodes, 1):
            node.start()
            wait_until(
                lambda number=number: self.running(self.nodes[0]) >= number,  # type: ignore[misc]
                START_TIMEOUT_S,
                f"{number} nodes in the cluster",
            )

    @staticmethod
    def running(asked: RabbitMQ) -> int:
        """Count the nodes that this one sees running."""
        return int(asked.evaluate("length(rabbit_nodes:all_running())."))

    def leader_of(self, asked: RabbitMQ, vhost_url: str, queue: str) -> RabbitMQ:
        """Tell which node leads a queue, as this one has it."""
        vhost = urlsplit(vhost_url).path.removeprefix("/")
        name = asked.evaluate(
            f'{{ok, Q}} = rabbit_amqqueue:lookup(rabbit_misc:r(<<"{vhost}">>, queue,'
            f' <<"{queue}">>)), {{_, N}} = amqqueue:get_pid(Q), atom_to_list(N).'
        ).strip('"')
        return next(node for node in self.nodes if node.node == name)

    def close(self) -> None:
        """Stop all, the one with the port mapper last, and remove their data."""
        for node in reversed(self.nodes):
            node.close()

    def __enter__(self) -> Self:
        try:
            self.start()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
