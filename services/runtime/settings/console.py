"""The console: its pages, and how people sign in."""

from pathlib import Path
from typing import Annotated

from pydantic import Field, SecretStr

from schemas.base import Name
from services.runtime.settings.section import Port, Seconds, Section


class OidcSettings(Section):
    """An OpenID provider as the other way into the console. Off while ``issuer`` is empty.

    ``claim`` of the ID token is compared with ``oidc_subject`` of the people in ``group.yaml``.
    Only ``sub`` is sure to be one person's for ever (OpenID Connect Core 1.0 section 5.7,
    read where an issue of another project quotes it).
    """

    issuer: str = ""
    client_id: str = ""
    client_secret: SecretStr = SecretStr("")
    claim: Annotated[str, Field(min_length=1, max_length=64)] = "sub"
    scope: str = "openid"
    title: Annotated[str, Field(min_length=1, max_length=64)] = "your hospital's account"
    timeout_s: Seconds = 10.0
    ca_file: Path | None = None


class ConsoleSettings(Section):
    """The pages for people.

    ``public_url`` is how browsers reach it, where that is not ``http://host:port``; one with
    ``https:`` makes cookies Secure. ``trusted_proxies`` are the addresses of the proxy before it.
    ``token`` is that of the console's own device in ``group.yaml``: without it pages are shown and
    nothing can be done. ``idle_s`` and ``shared_idle_s`` (a shared tablet): after how long without
    a tap a person is signed out; ``longest_s``: at the latest. All lengths and bounds are invented.
    ``service_urls``: where the health server of each service is, by its name, where they do not all
    run on this machine. ``backup_mark``: a file that the job which makes your backups touches once
    one is whole (its last line: ``touch <file>``); older than ``backup_max_age_h`` hours is told.
    """

    host: str = "127.0.0.1"
    port: Port = 8090
    public_url: str = ""
    trusted_proxies: Annotated[tuple[str, ...], Field(max_length=50)] = ()
    intake_url: str = "http://127.0.0.1:8080"
    intake_timeout_s: Seconds = 10.0
    token: SecretStr = SecretStr("")
    idle_s: Seconds = 1_800.0
    shared_idle_s: Seconds = 300.0
    longest_s: Seconds = 43_200.0
    max_live_pages: Annotated[int, Field(ge=1, le=10_000)] = 500
    max_body_bytes: Annotated[int, Field(ge=1_000, le=10_000_000)] = 200_000
    taps_per_minute: Annotated[int, Field(ge=1, le=10_000)] = 120
    service_urls: dict[Name, Annotated[str, Field(pattern=r"^https?://")]] = Field(
        default_factory=dict
    )
    backup_mark: Path | None = None
    backup_max_age_h: Annotated[float, Field(gt=0, le=8_784)] = 26.0
    oidc: OidcSettings = OidcSettings()

    @property
    def url(self) -> str:
        """How browsers reach the console, without a slash at the end."""
        return (self.public_url or f"http://{self.host}:{self.port}").rstrip("/")

    @property
    def is_https(self) -> bool:
        return self.url.startswith("https://")
