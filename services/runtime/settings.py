"""Every setting of every service: by environment, by file, with the reason when one is wrong.

Environment names are ``GOMPHOSIS_`` and the path with double underscores
(``GOMPHOSIS_BUS__URL``). A YAML file named by ``GOMPHOSIS_SETTINGS`` holds the same tree; the
environment outranks it. A default or bound that gives no reason is invented.
"""

import os
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import yaml
from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError, model_validator
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    YamlConfigSettingsSource,
)

from schemas.base import Name
from schemas.errors import GomphosisError, InvalidInput
from schemas.group import AeTitle

PREFIX = "GOMPHOSIS_"
FILE_VARIABLE = "GOMPHOSIS_SETTINGS"
_NOT_SETTINGS = {FILE_VARIABLE}

Port = Annotated[int, Field(ge=0, le=65_535)]
Seconds = Annotated[float, Field(gt=0, le=86_400)]


class SettingsError(GomphosisError):
    """A setting is wrong; names it and says what was expected. The service does not start."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StoreSettings(_Section):
    """Where state is kept. Empty: SQLite in the data folder."""

    url: SecretStr = SecretStr("")
    pool_size: Annotated[int, Field(ge=1, le=100)] = 5


class BusSettings(_Section):
    """What carries messages. Empty: the embedded bus in the data folder."""

    url: SecretStr = SecretStr("")
    prefetch: Annotated[int, Field(ge=1, le=5_000)] = 100
    batch: Annotated[int, Field(ge=1, le=1_000)] = 50
    delivery_limit: Annotated[int, Field(ge=1, le=100)] = 5
    retry_waits_s: Annotated[tuple[Seconds, ...], Field(min_length=1, max_length=8)] = (
        1.0,
        5.0,
        30.0,
        120.0,
        600.0,
    )
    blocked_timeout_s: Seconds = 30.0


class HealthSettings(_Section):
    """The small HTTP server of each service: ``/healthz``, ``/readyz``, ``/metrics``.

    With all services on one machine, each takes the next port after ``port``.
    """

    host: str = "127.0.0.1"
    port: Port = 9090


class LogSettings(_Section):
    level: Literal["debug", "info", "warning", "error"] = "info"
    format: Literal["json", "console"] = "json"


class MllpSettings(_Section):
    """HL7 v2 over MLLP. Off until ``enabled``; senders stand in ``record_codes.yaml``.

    With ``tls_certificate`` and ``tls_key`` every connection is TLS, and ``tls_ca`` then asks
    for a client certificate that it has signed. ``character_set_when_none`` is what a message
    without MSH-18 is read as.
    """

    enabled: bool = False
    host: str = "127.0.0.1"
    port: Port = 2575
    max_connections: Annotated[int, Field(ge=1, le=1_000)] = 16
    max_message_bytes: Annotated[int, Field(ge=1_000, le=16_000_000)] = 1_000_000
    idle_timeout_s: Seconds = 300.0
    character_set_when_none: Literal["ASCII", "8859/1", "UNICODE UTF-8"] = "ASCII"
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    tls_ca: Path | None = None


class FhirSettings(_Section):
    """One FHIR R4 server that is asked for what has changed. Off while ``base_url`` is empty.

    ``site`` and ``device`` name the record of ``group.yaml`` that it is. Either ``token``, or
    the client credentials of OAuth 2.0 (``token_url``, ``client_id``, ``client_secret``,
    ``scope``), or neither. ``overlap_s`` is asked for again each time, for what the record
    wrote late; ``first_look_back_s`` is how far back the very first question goes.
    """

    base_url: str = ""
    site: Name | None = None
    device: Name | None = None
    poll_s: Seconds = 30.0
    overlap_s: Annotated[float, Field(ge=0, le=86_400)] = 60.0
    first_look_back_s: Annotated[float, Field(ge=0, le=31_536_000)] = 86_400.0
    page_count: Annotated[int, Field(ge=1, le=1_000)] = 100
    max_pages: Annotated[int, Field(ge=1, le=10_000)] = 1_000
    max_response_bytes: Annotated[int, Field(ge=1_000, le=100_000_000)] = 5_000_000
    timeout_s: Seconds = 20.0
    longest_wait_s: Seconds = 300.0
    token: SecretStr = SecretStr("")
    token_url: str = ""
    client_id: str = ""
    client_secret: SecretStr = SecretStr("")
    scope: str = ""
    ca_file: Path | None = None


class WatchedSettings(_Section):
    """A folder or text file that a generator writes, and the mapping that reads it.

    ``folder``: files are dropped into it whole. ``file``: one file that goes on growing. A relative
    ``mapping`` lies in ``mappings/`` of the group's folder. ``site`` only where two sites have a
    device of that name.
    """

    device: Name
    site: Name | None = None
    mapping: Path
    folder: Path | None = None
    file: Path | None = None

    @model_validator(mode="after")
    def _watches_one_thing(self) -> Self:
        if (self.folder is None) == (self.file is None):
            raise ValueError("expected a folder or a file, and not both")
        return self


class IntakeSettings(_Section):
    """The doors: the DICOM node and the HTTP endpoint.

    ``close_on_completed_step``: a station's completed step closes its study, without a person.
    ``retrieve_ae_title``: where images can be retrieved from by DICOM; records that listen are
    told so of each closed study. Empty: they are told nothing.
    ``dicom_processes``: how many processes accept from the DICOM ports; as many as there are
    cores to spare, where one does not keep up. ``max_associations`` counts over all of them.
    ``associate_timeout_s``: how long a connection may take to ask for its association, or for
    its TLS handshake. ``tls_port`` wants ``tls_certificate``, ``tls_key`` and ``tls_ca`` (PEM).
    ``pixel_statistics``: look at each uncompressed image's pixels; costs some ms for each.
    """

    dicom_host: str = "127.0.0.1"
    dicom_port: Port = 11112
    http_host: str = "127.0.0.1"
    http_port: Port = 8080
    dicom_processes: Annotated[int, Field(ge=1, le=32)] = 1
    max_associations: Annotated[int, Field(ge=1, le=1_000)] = 32
    max_pdu_bytes: Annotated[int, Field(ge=0, le=1_048_576)] = 131_072
    idle_timeout_s: Seconds = 60.0
    associate_timeout_s: Seconds = 5.0
    tls_port: Port | None = None
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    tls_ca: Path | None = None
    min_free_bytes: Annotated[int, Field(ge=0)] = 200_000_000
    max_image_bytes: Annotated[int, Field(ge=1)] = 512_000_000
    pixel_statistics: bool = True
    close_on_completed_step: bool = False
    retrieve_ae_title: AeTitle | None = None
    max_body_bytes: Annotated[int, Field(ge=1_000)] = 1_000_000
    max_facts_in_body: Annotated[int, Field(ge=1, le=10_000)] = 1_000
    watched: Annotated[tuple[WatchedSettings, ...], Field(max_length=200)] = ()
    watch_poll_s: Seconds = 1.0
    mllp: MllpSettings = MllpSettings()
    fhir: FhirSettings = FhirSettings()


class RecordsSettings(_Section):
    """The patient record's adapter, by the name of its entry point, and its own options.

    Every ``read_back_s`` the lines that the record holds for the last ``read_back_days`` are read.
    ``postings_per_minute`` is the most that goes out from each site; none: no limit.
    """

    adapter: Name = "folder"
    options: dict[str, str] = Field(default_factory=dict)
    poll_s: Seconds = 0.5
    postings_per_minute: Annotated[int, Field(ge=1, le=100_000)] | None = None
    read_back_s: Seconds = 900.0
    read_back_days: Annotated[int, Field(ge=1, le=400)] = 45


class OidcSettings(_Section):
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


class ConsoleSettings(_Section):
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


class ForwardSettings(_Section):
    """Where a site's own node sends on what it has kept. Off while ``url`` is empty.

    ``url`` is the group's intake (``https://…``), ``token`` that of this site's device of kind
    ``node`` in the group's ``group.yaml``, ``ca_file`` the certification authority where it is
    your own. Images go by DICOM to ``dicom_host``, each under the AE title of the station that
    made it, so there the stations are listed with this node's address; with ``tls_certificate``,
    ``tls_key`` and ``tls_ca`` (PEM) by TLS. Without ``dicom_host`` images stay here, and wait.
    """

    url: Annotated[str, Field(pattern=r"^(https?://[^\s]+)?$")] = ""
    token: SecretStr = SecretStr("")
    ca_file: Path | None = None
    timeout_s: Seconds = 30.0
    dicom_host: str = ""
    dicom_port: Port = 11112
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    tls_ca: Path | None = None

    @model_validator(mode="after")
    def _shows_who_sends(self) -> Self:
        if self.url and not self.token.get_secret_value():
            raise ValueError("expected a token with the url")
        return self


Years = Annotated[int, Field(ge=2, le=100)]


class RetentionSettings(_Section):
    """After how many years ``gomphosis purge`` may let go of what; empty: never.

    ``facts_years``: facts of studies and what was assessed from them. ``images_years``: image
    files, which go only with the option ``--images`` too. ``console_years``: the pages' rows of
    single studies; sums stay. ``triage_years``: input that a person has settled. The law and your
    profession's rules say how long records, images and books have to be kept: ask first. Charges,
    notes, postings and audits are never let go of here.
    """

    facts_years: Years | None = None
    images_years: Years | None = None
    console_years: Years | None = None
    triage_years: Years | None = None

    @model_validator(mode="after")
    def _pages_outlast_facts(self) -> Self:
        # A page's row that went before its facts would come back and be counted twice.
        if self.console_years is not None and (
            self.facts_years is None or self.facts_years > self.console_years
        ):
            raise ValueError("console_years: expected facts_years too, and no more than these")
        return self


class Settings(BaseSettings):
    """The whole tree. ``group_dir`` is the folder of the group's own rules (``group.yaml``)."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )

    data_dir: Path = Path("gomphosis-data")
    group_dir: Path = Path("group")
    store: StoreSettings = StoreSettings()
    bus: BusSettings = BusSettings()
    health: HealthSettings = HealthSettings()
    log: LogSettings = LogSettings()
    intake: IntakeSettings = IntakeSettings()
    records: RecordsSettings = RecordsSettings()
    console: ConsoleSettings = ConsoleSettings()
    retention: RetentionSettings = RetentionSettings()
    forward: ForwardSettings = ForwardSettings()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        del dotenv_settings, file_secret_settings
        sources: list[PydanticBaseSettingsSource] = [init_settings, env_settings]
        file = os.environ.get(FILE_VARIABLE)
        if file:
            sources.append(YamlConfigSettingsSource(settings_cls, yaml_file=Path(file)))
        return tuple(sources)

    @property
    def store_url(self) -> str:
        """The store's URL, or SQLite in the data folder."""
        chosen = self.store.url.get_secret_value()
        return chosen or f"sqlite:///{self.data_dir.absolute()}/gomphosis.sqlite"

    @property
    def bus_url(self) -> str:
        """The broker's URL, or ``embedded:`` and the path of a file in the data folder."""
        chosen = self.bus.url.get_secret_value()
        return chosen or f"embedded:{self.data_dir.absolute()}/bus.sqlite"

    @property
    def images_dir(self) -> Path:
        return self.data_dir / "images"


def load_settings() -> Settings:
    """Read the settings of this process.

    Raises
    ------
    SettingsError
        Naming the first wrong setting and what was expected.
    """
    file = os.environ.get(FILE_VARIABLE)
    if file and not Path(file).is_file():
        raise SettingsError(f"{FILE_VARIABLE}: expected a YAML file, found none at {file}")
    _refuse_unknown(os.environ)
    try:
        return Settings()
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = PREFIX + "__".join(str(part) for part in first["loc"]).upper()
        wrong = InvalidInput(name, first["input"], first["msg"])
        raise SettingsError(f"setting {wrong}") from error
    except (ValueError, TypeError, yaml.YAMLError) as error:  # no YAML, or no mapping
        raise SettingsError(f"{FILE_VARIABLE}: expected YAML settings ({error})") from error


def _refuse_unknown(environment: Mapping[str, str]) -> None:
    """A misspelt variable would be passed over in silence; say so instead."""
    known = _known_names(Settings, PREFIX)
    for name in environment:
        if not name.startswith(PREFIX) or name in _NOT_SETTINGS or name.startswith(_TEST_PREFIX):
            continue
        if not any(name == one or name.startswith(f"{one}__") for one in known):
            nearest = get_close_matches(name, known, n=3, cutoff=0.5) or sorted(known)
            raise SettingsError(
                f"setting {name}: expected a known name such as {', '.join(nearest)}; "
                "is it misspelt? Unset it to start"
            )


_TEST_PREFIX = "GOMPHOSIS_TEST_"


def _known_names(model: type[BaseModel], prefix: str) -> set[str]:
    names: set[str] = set()
    for name, field in model.model_fields.items():
        full = prefix + name.upper()
        kind: Any = field.annotation
        if isinstance(kind, type) and issubclass(kind, _Section):
            names |= _known_names(kind, f"{full}__")
        else:
            names.add(full)
    return names
