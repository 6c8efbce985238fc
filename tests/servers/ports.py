"""Free TCP ports on loopback."""

from __future__ import annotations

import random
import socket
from pathlib import Path

LOOPBACK = "127.0.0.1"
LOWEST_PORT = 15_000
TRIES = 500

_handed_out: set[int] = set()
_choice = random.SystemRandom()


def free_port() -> int:
    """Return a loopback TCP port that nobody listens on and that this run has not handed out yet.

    It lies below the range from which the kernel gives outgoing connections their port. So a
    server that goes down for a test finds its port still free when it comes back.
    """
    for _ in range(TRIES):
        port = _choice.randrange(LOWEST_PORT, _first_ephemeral_port())
        if port not in _handed_out and _can_bind(port):
            _handed_out.add(port)
            return port
    raise RuntimeError(
        f"no free loopback port found in {TRIES} tries from {LOWEST_PORT} up: stop what holds them"
    )


def port_is_open(port: int) -> bool:
    """Say whether something accepts TCP connections at this loopback port."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((LOOPBACK, port)) == 0


def _can_bind(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
        return True


def _first_ephemeral_port() -> int:
    setting = Path("/proc/sys/net/ipv4/ip_local_port_range")
    first = int(setting.read_text().split()[0]) if setting.exists() else 32_768
    return first if first > LOWEST_PORT + TRIES else 32_768
