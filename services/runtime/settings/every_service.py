"""What every service needs: store, bus, health server and log."""

from typing import Annotated, Literal

from pydantic import Field, SecretStr

from services.runtime.settings.section import Port, Seconds, Section


class StoreSettings(Section):
    """Where state is kept. Empty: SQLite in the data folder."""

    url: SecretStr = SecretStr("")
    pool_size: Annotated[int, Field(ge=1, le=100)] = 5


class BusSettings(Section):
    """What carries messages. Empty: the embedded bus in the data folder.

    A worker takes what is ready, at most ``batch`` messages, as one piece of work. Where many wait,
    a large one tells a study anew once instead of for each of its facts.
    """

    url: SecretStr = SecretStr("")
    prefetch: Annotated[int, Field(ge=1, le=5_000)] = 400
    batch: Annotated[int, Field(ge=1, le=1_000)] = 200
    delivery_limit: Annotated[int, Field(ge=1, le=100)] = 5
    retry_waits_s: Annotated[tuple[Seconds, ...], Field(min_length=1, max_length=8)] = (
        1.0,
        5.0,
        30.0,
        120.0,
        600.0,
    )
    blocked_timeout_s: Seconds = 30.0


class HealthSettings(Section):
    """The small HTTP server of each service: ``/healthz``, ``/readyz``, ``/metrics``.

    With all services on one machine, each takes the next port after ``port``.
    """

    host: str = "127.0.0.1"
    port: Port = 9090


class LogSettings(Section):
    level: Literal["debug", "info", "warning", "error"] = "info"
    format: Literal["json", "console"] = "json"
