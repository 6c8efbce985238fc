"""The intake: its DICOM and HTTP doors, watched files, and records that tell it what changed."""

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, SecretStr, model_validator

from schemas.base import Name
from schemas.group import AeTitle
from services.runtime.settings.section import Port, Seconds, Section


class MllpSettings(Section):
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


class FhirSettings(Section):
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


class WatchedSettings(Section):
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


class IntakeSettings(Section):
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
