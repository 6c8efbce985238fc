"""Who may talk to us and what images are made with: a site's machines, tubes and sensors."""

from enum import StrEnum
from ipaddress import ip_address, ip_network
from typing import Annotated, Any, ClassVar, Self

from pydantic import AfterValidator, Field, model_validator

from schemas.base import Contract, Name, Positive, Tooth
from schemas.facts.desk import Sha256
from schemas.facts.exposure import Receptor
from schemas.outputs import Waveform
from schemas.people import Reach
from schemas.tube_calibration import TubeCalibration

AeTitle = Annotated[str, Field(min_length=1, max_length=16, pattern=r"^[\x21-\x5b\x5d-\x7e]+$")]
"""A DICOM application entity title without spaces (PS3.5 section 6.2, VR AE; from memory)."""


def _network(value: str) -> str:
    ip_network(value)
    return value


Network = Annotated[str, AfterValidator(_network)]


class DeviceKind(StrEnum):
    GENERATOR = "generator"
    STATION = "station"
    RECORD = "record"
    TABLET = "tablet"
    CONSOLE = "console"
    NODE = "node"


class Tube(Contract):
    """What the dose model needs to know of an X-ray set; the site measures or reads it.

    The field at the cone's end is round (``field_diameter_mm``) or a rectangle. Without a
    ``reference_distance_mm`` dose is compared at the cone's end (``source_to_skin_mm``). Old
    calibrations stay listed: an exposure counts by the one that was the newest on its day.
    """

    total_filtration_mm_al: Positive
    anode_angle_degrees: Positive
    source_to_skin_mm: Positive
    field_diameter_mm: Positive | None = None
    field_width_mm: Positive | None = None
    field_height_mm: Positive | None = None
    waveform: Waveform = "unknown"
    reference_distance_mm: Positive | None = None
    calibrations: tuple[TubeCalibration, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "total_filtration_mm_al": 2.0,
            "anode_angle_degrees": 16.0,
            "source_to_skin_mm": 200.0,
            "field_diameter_mm": 60.0,
            "waveform": "rectified",
            "calibrations": [TubeCalibration.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _calibrations_are_told_apart(self) -> Self:
        names = [calibration.name for calibration in self.calibrations]
        days = [calibration.measured_on for calibration in self.calibrations]
        if len(set(names)) != len(names) or len(set(days)) != len(days):
            raise ValueError("expected every calibration of a tube to have its own name and day")
        return self

    @model_validator(mode="after")
    def _has_one_field_shape(self) -> Self:
        round_field = self.field_diameter_mm is not None
        sides = [self.field_width_mm, self.field_height_mm]
        if round_field and any(sides):
            raise ValueError("expected a round or a rectangular field, not both")
        if not round_field and None in sides:
            raise ValueError("expected field_diameter_mm, or field_width_mm and field_height_mm")
        return self


class Endpoint(Contract):
    """Where a DICOM peer listens, for what we send: commitments, availability.

    With ``tls`` it must show the device's ``certificate_sha256``, or, without one, a certificate
    of the CA in the settings that names ``host``.
    """

    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65_535)]
    tls: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"host": "127.0.0.1", "port": 11113},)


class Sensor(Contract):
    """A sensor or plate set that wears. The site sets how often it wants a constancy test.

    ``detector_id`` is what the device writes as Detector ID (0018,700A). ``receptor_size`` is the
    intraoral size number, as the plans name it.
    """

    name: Name
    room: Name | None = None
    receptor: Receptor | None = None
    receptor_size: Annotated[int, Field(ge=0, le=4)] | None = None
    detector_id: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    test_every_days: Annotated[int, Field(ge=1, le=3_660)] | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"name": "sensor-a", "room": "dental-1", "test_every_days": 30},
    )


class Device(Contract):
    """A machine that may talk to us.

    ``addresses`` are networks (CIDR); a DICOM peer must have its title and its address here.
    ``token_sha256`` is the hash of its HTTP token: the token itself is never written down.
    ``certificate_sha256`` is that of its client certificate (DER), where it speaks DICOM over TLS.
    ``presets`` maps a generator's preset names to teeth; that grouping is the site's own.
    A console speaks for the people of its site, or of every site (``speaks_for: group``). A node
    is a gomphosis of the site's own, which sends on what it has kept.
    """

    name: Name
    kind: DeviceKind
    room: Name | None = None
    ae_title: AeTitle | None = None
    addresses: tuple[Network, ...] = ()
    token_sha256: Sha256 | None = None
    certificate_sha256: Sha256 | None = None
    listens_at: Endpoint | None = None
    serial: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    tube: Tube | None = None
    presets: dict[Name, tuple[Tooth, ...]] = Field(default_factory=dict)
    speaks_for: Reach = "site"

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "station-1",
            "kind": "station",
            "room": "dental-1",
            "ae_title": "STATION1",
            "addresses": ["127.0.0.0/8"],
        },
    )

    def is_at(self, address: str) -> bool:
        """Tell whether this device may call from an IP address."""
        caller = ip_address(address)
        return any(caller in ip_network(network) for network in self.addresses)
