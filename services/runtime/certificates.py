"""How long our certificates are good: those that the settings name, read from their PEM files."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from cryptography import x509

from services.runtime.settings import Settings

WARN: Final = timedelta(days=30)
"""How long before its end a certificate is told (common practice, no published source)."""

_OPTIONS: Final = ("certificate_file", "ca_file")


@dataclass(frozen=True, slots=True)
class Certificate:
    """A certificate by the setting that names its file. ``until`` is None where ``trouble`` says
    why the file tells nothing."""

    setting: str
    until: datetime | None
    trouble: str | None = None

    def as_dict(self) -> dict[str, Any]:
        until = None if self.until is None else self.until.isoformat()
        return {"setting": self.setting, "until": until, "trouble": self.trouble}

    def is_good(self, now: datetime) -> bool:
        """Tell whether it holds for long enough still."""
        return self.until is not None and self.until - now > WARN

    def words(
        self, now: datetime, renew: str = "have it renewed and put it in the same place"
    ) -> str:
        """Say how it stands, and the next action where it is not good."""
        if self.until is None:
            return f"{self.trouble}: put a PEM file there"
        day = f"{self.until:%Y-%m-%d}"
        if self.until <= now:
            return f"has expired on {day}: {renew}"
        left = (self.until - now).days
        if self.is_good(now):
            return f"good until {day} ({left} days)"
        return f"good until {day}, {left} days only: {renew}"


def own_certificates(settings: Settings) -> list[Certificate]:
    """Read every certificate that the settings of this process name; of a file with several, the
    one that ends first."""
    return [_read(setting, file) for setting, file in _files(settings)]


def _files(settings: Settings) -> Iterator[tuple[str, Path]]:
    intake, mllp = settings.intake, settings.intake.mllp
    named = {
        "intake.tls_certificate": intake.tls_certificate,
        "intake.tls_ca": intake.tls_ca,
        "intake.mllp.tls_certificate": mllp.tls_certificate,
        "intake.mllp.tls_ca": mllp.tls_ca,
        "intake.fhir.ca_file": intake.fhir.ca_file,
        "console.oidc.ca_file": settings.console.oidc.ca_file,
        "forward.ca_file": settings.forward.ca_file,
        "forward.tls_certificate": settings.forward.tls_certificate,
        "forward.tls_ca": settings.forward.tls_ca,
    }
    for setting, file in named.items():
        if file is not None:
            yield setting, file
    for option in _OPTIONS:
        told = settings.records.options.get(option)
        if told:
            yield f"records.options.{option}", Path(told)


def _read(setting: str, file: Path) -> Certificate:
    try:
        found = x509.load_pem_x509_certificates(file.read_bytes())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no PEM certificate in it"
        return Certificate(setting, None, f"{file}: {reason}")
    return Certificate(setting, min(one.not_valid_after_utc for one in found).astimezone(UTC))
