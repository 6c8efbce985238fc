"""The options of the FHIR adapter, as the settings give them (``records.options``)."""

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.codes_option import open_codes
from services.records.codes_file import CodesFile
from services.records.port import DATA_DIR_OPTION, RecordOptionError

_KNOWN = (
    "base_url",
    "patient_system",
    "order_system",
    "namespace",
    "codes",
    "imaging_endpoint",
    "token_file",
    "token_url",
    "client_id",
    "client_secret_file",
    "scope",
    "ca_file",
    "certificate_file",
    "key_file",
    "timeout_s",
)
_ENDPOINT = re.compile(r"Endpoint/[A-Za-z0-9\-.]{1,64}", re.ASCII)
_NAMESPACE = "https://gomphosis.invalid/fhir"
"""Ours while a group gives no URI of its own; ``.invalid`` never resolves (RFC 2606; from
memory)."""


@dataclass(frozen=True, slots=True)
class FhirOptions:
    """One FHIR R4 server that charges and notes go to.

    ``patient_system`` and ``order_system``: the identifier systems of patient ids and accession
    numbers; without ``order_system`` no order is looked up. ``namespace``: the URI under which our
    keys are identifiers. ``codes``: a YAML file (``PostedCodes``). ``imaging_endpoint``: the
    record's Endpoint resource at which images can be had, for its ImagingStudy. Secrets are
    read from files: a bearer token, or OAuth 2.0 client credentials. ``certificate_file`` and
    ``key_file``: ours, where the server asks for one.
    """

    base_url: str
    patient_system: str
    order_system: str
    namespace: str
    codes_file: CodesFile
    imaging_endpoint: str
    token: str
    token_url: str
    client_id: str
    client_secret: str
    scope: str
    ca_file: Path | None
    certificate_file: Path | None
    key_file: Path | None
    timeout_s: float

    @property
    def codes(self) -> PostedCodes:
        """The record's codes as the file says now."""
        return self.codes_file.now()


def read_options(options: dict[str, str]) -> FhirOptions:
    """Read the options. Raises RecordOptionError, naming the first that is wrong."""
    for name, value in options.items():
        if name not in _KNOWN and name != DATA_DIR_OPTION:
            expected = f"no such option; FHIR knows: {', '.join(_KNOWN)}"
            raise RecordOptionError(name, value, expected)
    token_url = options.get("token_url", "")
    if token_url:
        _address("token_url", token_url)
        if options.get("token_file") or not options.get("client_id"):
            expected = "client_id and client_secret_file beside it, and no token_file"
            raise RecordOptionError("token_url", token_url, expected)
    if bool(options.get("certificate_file")) != bool(options.get("key_file")):
        told = options.get("certificate_file", "")
        raise RecordOptionError("certificate_file", told, "it with key_file, or neither")
    return FhirOptions(
        base_url=_address("base_url", options.get("base_url", "")),
        patient_system=_system("patient_system", options.get("patient_system", "")),
        order_system=options.get("order_system", ""),
        namespace=_system("namespace", options.get("namespace") or _NAMESPACE).rstrip("/"),
        codes_file=open_codes(options.get("codes", "")),
        imaging_endpoint=_endpoint(options.get("imaging_endpoint", "")),
        token=_secret("token_file", options.get("token_file", "")),
        token_url=token_url,
        client_id=options.get("client_id", ""),
        client_secret=_secret("client_secret_file", options.get("client_secret_file", "")),
        scope=options.get("scope", ""),
        ca_file=_path(options.get("ca_file", "")),
        certificate_file=_path(options.get("certificate_file", "")),
        key_file=_path(options.get("key_file", "")),
        timeout_s=_seconds("timeout_s", options.get("timeout_s", "20")),
    )


def _address(name: str, value: str) -> str:
    split = urlsplit(value)
    if split.scheme not in {"http", "https"} or not split.netloc or split.username:
        raise RecordOptionError(name, value, "an address such as https://record.invalid/fhir")
    return value


def _endpoint(value: str) -> str:
    if value and not _ENDPOINT.fullmatch(value):
        raise RecordOptionError("imaging_endpoint", value, "a reference such as Endpoint/images")
    return value


def _system(name: str, value: str) -> str:
    if not urlsplit(value).scheme or any(one in value for one in "|,$\\ "):
        raise RecordOptionError(name, value, "a URI such as https://record.invalid/patient-id")
    return value


def _secret(name: str, value: str) -> str:
    if not value:
        return ""
    try:
        told = Path(value).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise RecordOptionError(name, value, f"a file that can be read ({error})") from error
    if not told or not told.isascii() or not told.isprintable():
        raise RecordOptionError(name, value, "a file with one line of ASCII in it")
    return told


def _path(value: str) -> Path | None:
    return Path(value) if value else None


def _seconds(name: str, value: str) -> float:
    try:
        told = float(value)
    except ValueError as error:
        raise RecordOptionError(name, value, "a number of seconds") from error
    if not 0.0 < told <= 600.0:
        raise RecordOptionError(name, value, "more than 0 and at most 600 seconds")
    return told
