"""The options of the HL7 v2 adapter, as the settings give them (``records.options``)."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.codes_option import open_codes
from services.records.adapters.hl7_text import CODECS
from services.records.codes_file import CodesFile
from services.records.port import DATA_DIR_OPTION, RecordOptionError

_DEFAULTS: Final = {
    "host": "",
    "port": "",
    "mode": "enhanced",
    "character_set": "UNICODE UTF-8",
    "processing_id": "P",
    "documents": "yes",
    "resend": "same",
    "sending_application": "GOMPHOSIS",
    "receiving_application": "",
    "receiving_facility": "",
    "patient_authority": "",
    "codes": "",
    "tls": "no",
    "ca_file": "",
    "certificate_file": "",
    "key_file": "",
    "timeout_s": "20",
}
_ONLY_WITH_TLS: Final = ("ca_file", "certificate_file", "key_file")


class Mode(StrEnum):
    """Which answers the record gives on the connection (v2.5.1 sections 2.9.2 and 2.9.3).

    ``COMMIT`` is enhanced mode without an application answer: the record's commit is its last
    word, and what it refuses later is not told to us.
    """

    ENHANCED = "enhanced"
    COMMIT = "commit"
    ORIGINAL = "original"


@dataclass(frozen=True, slots=True)
class Hl7Options:
    """One HL7 v2.5.1 listener that charges and notes go to.

    ``patient_authority`` is the assigning authority of patient ids (PID-3.4). ``codes``: a YAML
    file (``PostedCodes``). ``documents``: whether signed notes go out as MDM^T02 beside ORU^R01.
    ``resend``: ``same`` sends a charge whose answer was lost again as the same message; ``ask``
    leaves it to a person, for a record that knows neither MSH-10 nor FT1-2 again.
    ``timeout_s``: the longest wait for an answer, and for a connection.
    """

    host: str
    port: int
    mode: Mode
    character_set: str
    processing_id: str
    documents: bool
    asks_before_resend: bool
    sending_application: str
    receiving_application: str
    receiving_facility: str
    patient_authority: str
    codes_file: CodesFile
    tls: bool
    ca_file: Path | None
    certificate_file: Path | None
    key_file: Path | None
    timeout_s: float
    data_dir: Path

    @property
    def codes(self) -> PostedCodes:
        """The record's codes as the file says now."""
        return self.codes_file.now()


def read_options(options: Mapping[str, str]) -> Hl7Options:
    """Read the options. Raises RecordOptionError, naming the first that is wrong."""
    for name, value in options.items():
        if name not in _DEFAULTS and name != DATA_DIR_OPTION:
            expected = f"no such option; HL7 v2 knows: {', '.join(_DEFAULTS)}"
            raise RecordOptionError(name, value, expected)
    told = {**_DEFAULTS, **options}
    _host(told["host"])
    tls = _one_of(told, "tls", ("yes", "no")) == "yes"
    for name in _ONLY_WITH_TLS:
        if told[name] and not tls:
            raise RecordOptionError(name, told[name], "it only with tls: yes")
        if told[name] and not Path(told[name]).is_file():
            raise RecordOptionError(name, told[name], "a file that can be read")
    if bool(told["certificate_file"]) != bool(told["key_file"]):
        raise RecordOptionError("certificate_file", told["certificate_file"], "it with key_file")
    return Hl7Options(
        host=told["host"],
        port=int(_number("port", told["port"], 1, 65_535)),
        mode=Mode(_one_of(told, "mode", tuple(Mode))),
        character_set=_one_of(told, "character_set", tuple(CODECS)),
        processing_id=_one_of(told, "processing_id", ("P", "T", "D")),
        documents=_one_of(told, "documents", ("yes", "no")) == "yes",
        asks_before_resend=_one_of(told, "resend", ("same", "ask")) == "ask",
        sending_application=told["sending_application"],
        receiving_application=told["receiving_application"],
        receiving_facility=told["receiving_facility"],
        patient_authority=told["patient_authority"],
        codes_file=open_codes(told["codes"]),
        tls=tls,
        ca_file=_path(told["ca_file"]),
        certificate_file=_path(told["certificate_file"]),
        key_file=_path(told["key_file"]),
        timeout_s=_number("timeout_s", told["timeout_s"], 0.1, 600.0),
        data_dir=Path(told.get(DATA_DIR_OPTION, ".")),
    )


def _host(value: str) -> None:
    try:
        named = bool(value.encode("idna"))
    except UnicodeError:
        named = False
    if not named:
        raise RecordOptionError("host", value, "the record's host name or address")


def _one_of(told: Mapping[str, str], name: str, known: tuple[str, ...]) -> str:
    if told[name] not in known:
        raise RecordOptionError(name, told[name], f"one of {', '.join(known)}")
    return told[name]


def _number(name: str, value: str, least: float, most: float) -> float:
    try:
        told = float(value)
    except ValueError as error:
        raise RecordOptionError(name, value, f"a number from {least:g} to {most:g}") from error
    if not least <= told <= most or (name == "port" and not told.is_integer()):
        raise RecordOptionError(name, value, f"a number from {least:g} to {most:g}")
    return told


def _path(value: str) -> Path | None:
    return Path(value) if value else None
