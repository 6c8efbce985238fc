"""AMQP over TLS: a broker by its own authority is served, any other is told nothing."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote, urlsplit

import pytest

from services.runtime.bus import BusUnavailable
from services.runtime.bus_amqp import AmqpBus
from tests.certificates import Authority
from tests.contract.bus_cases import LIMITS, WORK, message
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.rabbitmq import Broker, RabbitMQ


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("broker"), "authority of the broker")


@pytest.fixture
def tls_url(rabbitmq: Broker, amqp_url: str, authority: Authority) -> Iterator[str]:
    """AMQP address of a fresh vhost by TLS, on a listener that is there for this test only."""
    if not isinstance(rabbitmq, RabbitMQ):
        pytest.skip("a broker that was given listens as it was told: unset its address")
    port = free_port()
    certificate, key = authority.issue("broker", LOOPBACK)
    listener = f'{{"{LOOPBACK}", {port}}}'
    files = {"cacertfile": authority.certificate, "certfile": certificate, "keyfile": key}
    options = ", ".join(f'{{{name}, "{path}"}}' for name, path in files.items())
    rabbitmq.evaluate(
        "{ok, _} = application:ensure_all_started(ssl), "
        f"rabbit_networking:start_ssl_listener({listener}, [{options}], 1)."
    )
    yield f"amqps://guest:guest@{LOOPBACK}:{port}{urlsplit(amqp_url).path}"
    rabbitmq.evaluate(f"rabbit_networking:stop_tcp_listener({listener}).")


def trusting(url: str, authority: Path) -> str:
    return f"{url}?ssl_options={quote(str({'cafile': str(authority)}))}"


def test_messages_pass_over_tls_by_the_brokers_own_authority(
    tls_url: str, authority: Authority
) -> None:
    bus = AmqpBus(trusting(tls_url, authority.certificate), LIMITS)
    try:
        bus.declare([WORK])
        bus.publish([message("over-tls")])
        assert bus.depth(WORK.queue) == 1
    finally:
        bus.close()


@pytest.mark.parametrize("known", [True, False], ids=["another authority", "the system's own"])
def test_a_broker_by_an_unknown_authority_is_told_nothing(
    tls_url: str, tmp_path: Path, known: bool
) -> None:
    stranger = Authority(tmp_path, "foreign authority").certificate
    url = trusting(tls_url, stranger) if known else tls_url
    bus = AmqpBus(url, replace(LIMITS, confirm_timeout_s=5.0))
    try:
        with pytest.raises(BusUnavailable, match="certificate"):
            bus.declare([WORK])
    finally:
        bus.close()
