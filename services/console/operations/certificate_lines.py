"""The certificates that services know of, as they told at ``/about``. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from services.console.watch import ServiceState
from services.runtime.certificates import Certificate


@dataclass(frozen=True, slots=True)
class CertificateLine:
    """A certificate of a service's settings, and how it stands."""

    service: str
    setting: str
    until: datetime | None
    good: bool
    words: str


def certificate_lines(services: Iterable[ServiceState], now: datetime) -> list[CertificateLine]:
    """List them, each once for the service whose setting it is; the one that ends first first."""
    found: dict[tuple[str, datetime | None, str | None], CertificateLine] = {}
    for one in services:
        told = one.about.get("certificates")
        for raw in told if isinstance(told, list) else []:
            certificate = _certificate(raw)
            own = certificate.setting.split(".")[0]
            key = (certificate.setting, certificate.until, certificate.trouble)
            if key in found and one.service != own:
                continue
            found[key] = CertificateLine(
                one.service,
                certificate.setting,
                certificate.until,
                certificate.is_good(now),
                certificate.words(now),
            )
    return sorted(found.values(), key=lambda line: (line.until or now, line.setting))


def _certificate(raw: Any) -> Certificate:
    until = raw.get("until")
    return Certificate(
        str(raw.get("setting")),
        None if until is None else datetime.fromisoformat(until),
        raw.get("trouble"),
    )
