"""A private RabbitMQ node, or one named in the environment."""

from __future__ import annotations

import base64
import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from urllib.parse import quote, unquote, urlsplit, urlunsplit

from tests.servers.missing import missing
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port, port_is_open
from tests.servers.private import PrivateServer, ServerStartError, plain_environment
from tests.servers.processes import end, is_running, wait_until_gone

URL_VARIABLE = "GOMPHOSIS_TEST_AMQP_URL"
REMEDY = f"apt-get install rabbitmq-server, or set {URL_VARIABLE}"

# Debian's `rabbitmq-server` on the path changes user and wants the system's folders.
SERVER_SCRIPT = Path("/usr/lib/rabbitmq/bin/rabbitmq-server")
NODE = "gomphosis-test@localhost"
START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 30.0
DEFAULT_WATERMARK = "0.4"


@dataclass(frozen=True)
class Kinship:
    """What the nodes of one cluster share: a port mapper (epmd), a cookie and their names."""

    epmd_port: int
    cookie: str
    nodes: tuple[str, ...]


CONFIGURATION = """\
listeners.tcp.default = {address}:{port}
disk_free_limit.absolute = 1MB
raft.wal_max_size_bytes = 67108864
log.console = true
log.console.level = warning
log.file = false
"""


class Broker(Protocol):
    """What a test may ask of RabbitMQ, private or not."""

    @property
    def url(self) -> str:
        """AMQP address of the default vhost."""
        ...

    def create_vhost(self) -> str:
        """Make a fresh vhost and return its AMQP address."""
        ...

    def stop(self) -> None:
        """End in good order."""
        ...

    def start(self) -> None:
        """Start, and return once AMQP is served."""
        ...

    def restart(self) -> None:
        """Stop and start on the same data."""
        ...

    def kill(self) -> None:
        """End by SIGKILL, then start on the same data."""
        ...

    def block(self) -> None:
        """Raise the memory alarm: publishing connections are told `connection.blocked`."""
        ...

    def unblock(self) -> None:
        """Clear the memory alarm."""
        ...


class RabbitMQ(PrivateServer):
    """A node with its own cookie, port mapper (epmd) and data.

    Parameters
    ----------
    plugins
        Names of plugins to enable; none by default, which starts fastest.
    node
        Its name, where it is not alone.
    kinship
        That of its cluster. The node that is named first has the port mapper, and starts first.
    """

    name = "rabbitmq"
    start_timeout_s = START_TIMEOUT_S
    stop_timeout_s = STOP_TIMEOUT_S

    def __init__(
        self, plugins: tuple[str, ...] = (), node: str = NODE, kinship: Kinship | None = None
    ) -> None:
        super().__init__()
        self.node = node
        self._kinship = kinship
        self.folder.chmod(0o700)
        self.port = free_port()
        self.management_port = free_port()
        self._epmd_port = free_port() if kinship is None else kinship.epmd_port
        self._distribution_port = free_port()
        self._epmd: subprocess.Popen[bytes] | None = None
        self._watermark = DEFAULT_WATERMARK
        self._write_files(plugins)

    @property
    def url(self) -> str:
        """AMQP address of the default vhost."""
        return self.vhost_url("/")

    def vhost_url(self, vhost: str) -> str:
        """Return the AMQP address of a vhost. `guest` is let in from loopback only."""
        return f"amqp://guest:guest@{LOOPBACK}:{self.port}/{quote(vhost, safe='')}"

    def start(self) -> None:
        """Start the node and its port mapper; return once AMQP is served."""
        if self._runs():
            return
        self._start_epmd()
        self._process = self._spawn([str(SERVER_SCRIPT)], self._environment(), self.folder)
        wait_until(self._serves_amqp, self.start_timeout_s, "the private RabbitMQ to serve AMQP")

    def stop(self) -> None:
        """End in good order, the port mapper too, and wait until every process is gone."""
        try:
            if self._process is not None:
                end(self._process.pid, signal.SIGTERM, self.stop_timeout_s, "RabbitMQ")
                self._reap()
        finally:
            if self._epmd is not None:
                end(self._epmd.pid, signal.SIGTERM, self.stop_timeout_s, "epmd")
                self._epmd.wait(timeout=10)
                self._epmd = None
        wait_until_gone(self.folder, self.stop_timeout_s, apart_from=frozenset())

    def kill(self) -> None:
        """End the node by SIGKILL, then start again on the same data."""
        self.crash()
        self.start()

    def crash(self) -> None:
        """End the node by SIGKILL, and stay away.

        RabbitMQ 3.10 writes its registry of quorum queues (`names.dets`) only about every half
        second. Killed within that, it comes back with a queue that answers nobody (seen here).
        That is the broker's affair, not what our tests are about, so the registry is written out
        first. Messages are not touched: what was confirmed must be on disk by then.
        """
        if self._process is None:
            raise RuntimeError("the private RabbitMQ is not running: call start() before kill()")
        self.evaluate("[ok = dets:sync(Table) || Table <- dets:all()].")
        end(self._process.pid, signal.SIGKILL, self.stop_timeout_s, "RabbitMQ")
        self._reap()
        left = frozenset() if self._epmd is None else frozenset({self._epmd.pid})
        wait_until_gone(self.folder, self.stop_timeout_s, apart_from=left)

    def create_vhost(self) -> str:
        """Make a fresh vhost in which `guest` may do all, and return its AMQP address."""
        vhost = f"test-{secrets.token_hex(6)}"
        self.evaluate(
            f'ok = rabbit_vhost:add(<<"{vhost}">>, <<"tests">>),'
            f'ok = rabbit_auth_backend_internal:set_permissions(<<"guest">>, <<"{vhost}">>,'
            ' <<".*">>, <<".*">>, <<".*">>, <<"tests">>).'
        )
        return self.vhost_url(vhost)

    def block(self) -> None:
        """Raise the memory alarm, after which publishers are told `connection.blocked`."""
        self.evaluate("ok = vm_memory_monitor:set_vm_memory_high_watermark(0.0000001).")
        wait_until(self._has_alarm, self.stop_timeout_s, "the memory alarm to be raised")

    def unblock(self) -> None:
        """Clear the memory alarm."""
        self.evaluate(f"ok = vm_memory_monitor:set_vm_memory_high_watermark({self._watermark}).")
        wait_until(lambda: not self._has_alarm(), self.stop_timeout_s, "the memory alarm to clear")

    def evaluate(self, expressions: str) -> str:
        """Run Erlang expressions in the node, and return the value's text.

        `erl_call` is a small C program and answers in milliseconds, where `rabbitmqctl` takes a
        second to start.

        Raises
        ------
        RuntimeError
            When the node cannot be reached, or an expression fails; with the node's own words.
        """
        done = subprocess.run(
            ["erl_call", "-n", self.node, "-e"],
            input=f"{expressions}\n".encode(),
            env=self._environment(),
            capture_output=True,
            timeout=self.stop_timeout_s,
            check=False,
        )
        answer = (done.stdout + done.stderr).decode(errors="replace").strip()
        if done.returncode or not answer.startswith("{ok,"):
            raise RuntimeError(f"the private RabbitMQ refused {expressions!r}: {answer}")
        return answer.removeprefix("{ok,").removesuffix("}").strip()

    def _has_alarm(self) -> bool:
        return self.evaluate("length(rabbit_alarm:get_alarms()).") != "0"

    def _write_files(self, plugins: tuple[str, ...]) -> None:
        cookie = self.folder / ".erlang.cookie"
        cookie.write_text(secrets.token_hex(16) if self._kinship is None else self._kinship.cookie)
        cookie.chmod(0o400)
        (self.folder / "enabled_plugins").write_text(f"[{','.join(plugins)}].")
        text = CONFIGURATION.format(address=LOOPBACK, port=self.port)
        if plugins:
            text += f"management.tcp.ip = {LOOPBACK}\n"
            text += f"management.tcp.port = {self.management_port}\n"
        if self._kinship is not None:
            text += "cluster_formation.peer_discovery_backend = classic_config\n"
            for number, node in enumerate(self._kinship.nodes, 1):
                text += f"cluster_formation.classic_config.nodes.{number} = {node}\n"
        (self.folder / "rabbitmq.conf").write_text(text)
        (self.folder / "log").mkdir()

    def _environment(self) -> dict[str, str]:
        return plain_environment() | {
            "HOME": str(self.folder),
            "ERL_EPMD_PORT": str(self._epmd_port),
            "ERL_EPMD_ADDRESS": LOOPBACK,
            "RABBITMQ_NODENAME": self.node,
            "RABBITMQ_NODE_IP_ADDRESS": LOOPBACK,
            "RABBITMQ_NODE_PORT": str(self.port),
            "RABBITMQ_DIST_PORT": str(self._distribution_port),
            "RABBITMQ_MNESIA_BASE": str(self.folder / "data"),
            "RABBITMQ_LOG_BASE": str(self.folder / "log"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(self.folder / "enabled_plugins"),
            "RABBITMQ_PLUGINS_EXPAND_DIR": str(self.folder / "plugins"),
            "RABBITMQ_CONFIG_FILE": str(self.folder / "rabbitmq.conf"),
            "RABBITMQ_CONF_ENV_FILE": os.devnull,
            "RABBITMQ_PID_FILE": str(self.folder / "rabbitmq.pid"),
            # No idle spinning (+sbwt) and few I/O threads: the machine has other work to do.
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "-kernel inet_dist_use_interface {127,0,0,1} "
            "+sbwt none +sbwtdcpu none +sbwtdio none",
            "RABBITMQ_IO_THREAD_POOL_SIZE": "8",
            # The start script then becomes the node (exec), so that we hold the node's own pid.
            "RUNNING_UNDER_SYSTEMD": "1",
        }

    def _start_epmd(self) -> None:
        """Start the port mapper as our own child; else the node leaves a daemon behind."""
        if self._kinship is not None and self.node != self._kinship.nodes[0]:
            return
        if self._epmd is not None and is_running(self._epmd.pid):
            return
        self._epmd = self._spawn(
            ["epmd", "-address", LOOPBACK, "-port", str(self._epmd_port)],
            self._environment(),
            self.folder,
        )
        wait_until(lambda: port_is_open(self._epmd_port), self.start_timeout_s, "epmd to listen")

    def _serves_amqp(self) -> bool:
        """Look for the server's first frame; an open port alone does not tell."""
        self._still_runs()
        try:
            with socket.create_connection((LOOPBACK, self.port), timeout=2.0) as probe:
                probe.sendall(b"AMQP\x00\x00\x09\x01")  # AMQP 0-9-1, 4.2.2: protocol header
                return probe.recv(1) == b"\x01"  # a method frame: connection.start
        except OSError:
            return False


class GivenBroker:
    """A RabbitMQ named in the environment: not ours to stop; vhosts by its management API."""

    def __init__(self, url: str, management_port: int = 15672) -> None:
        self._url = url
        self._management_port = management_port

    @property
    def url(self) -> str:
        """AMQP address as given."""
        return self._url

    def create_vhost(self) -> str:
        """Make a fresh vhost through the management API, on the same host."""
        vhost = f"test-{secrets.token_hex(6)}"
        user = unquote(urlsplit(self._url).username or "guest")
        self._put(f"vhosts/{vhost}", {})
        self._put(
            f"permissions/{vhost}/{quote(user, safe='')}",
            {"configure": ".*", "write": ".*", "read": ".*"},
        )
        return urlunsplit(urlsplit(self._url)._replace(path=f"/{vhost}"))

    def start(self) -> None:
        """Nothing to do: it runs."""

    def close(self) -> None:
        """Nothing to do: it is not ours."""

    def stop(self) -> None:
        """Refuse."""
        self._not_ours("stop")

    def restart(self) -> None:
        """Refuse."""
        self._not_ours("restart")

    def kill(self) -> None:
        """Refuse."""
        self._not_ours("kill")

    def block(self) -> None:
        """Refuse."""
        self._not_ours("block")

    def unblock(self) -> None:
        """Refuse."""
        self._not_ours("unblock")

    def _put(self, path: str, body: dict[str, str]) -> None:
        parts = urlsplit(self._url)
        secret = f"{unquote(parts.username or 'guest')}:{unquote(parts.password or 'guest')}"
        request = urllib.request.Request(
            f"http://{parts.hostname}:{self._management_port}/api/{path}",
            data=json.dumps(body).encode(),
            method="PUT",
            headers={
                "content-type": "application/json",
                "authorization": "Basic " + base64.b64encode(secret.encode()).decode(),
            },
        )
        try:
            with urllib.request.urlopen(request, timeout=10):
                return
        except urllib.error.URLError as error:
            raise ServerStartError(
                f"vhost on the RabbitMQ of {URL_VARIABLE}",
                f"{error}; its management plugin must answer at port {self._management_port}",
            ) from error

    def _not_ours(self, verb: str) -> None:
        missing("a private RabbitMQ", f"unset {URL_VARIABLE}; this test must {verb} the broker")


def open_broker() -> RabbitMQ | GivenBroker:
    """Return a started broker: the one of the environment, else a private one."""
    given = os.environ.get(URL_VARIABLE)
    if given:
        return GivenBroker(given)
    require_rabbitmq()
    broker = RabbitMQ()
    try:
        broker.start()
    except BaseException:
        broker.close()
        raise
    return broker


def require_rabbitmq() -> None:
    """Skip, or fail in CI, where RabbitMQ is not installed."""
    if not SERVER_SCRIPT.exists() or not all(map(shutil.which, ("epmd", "erl_call"))):
        missing("RabbitMQ", REMEDY)
