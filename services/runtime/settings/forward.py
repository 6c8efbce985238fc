"""The forward service of a site's own node."""

from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, SecretStr, model_validator

from services.runtime.settings.section import Port, Seconds, Section


class ForwardSettings(Section):
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
