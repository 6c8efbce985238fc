"""What an imaging station tells: an image or a report was stored."""

from datetime import datetime
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from schemas.base import Contract, Fraction, Name, NotNegative, Positive, Tooth, Uid, UtcTime
from schemas.envelope import Payload

ShortText = Annotated[str, Field(min_length=1, max_length=64)]


class PixelStatistics(Contract):
    """What the stored pixel values look like, as shares and stored values; no judgement.

    ``low_share`` and ``high_share`` are the shares of pixels at the two ends of the stored range
    (the outermost hundredth of it each); ``border_share`` is the largest share of unvarying pixels
    along one of the four borders. Hints for a person rest on it, never a decision.
    """

    bits_stored: Annotated[int, Field(ge=1, le=16)]
    inverted: bool
    minimum: int
    maximum: int
    median: float
    low_share: Fraction
    high_share: Fraction
    border_share: Fraction

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "bits_stored": 14,
            "inverted": False,
            "minimum": 12,
            "maximum": 16383,
            "median": 7211.0,
            "low_share": 0.01,
            "high_share": 0.02,
            "border_share": 0.0,
        },
    )


class ImageStored(Payload):
    """A DICOM image is on our disk, whole.

    The values are those of the image's header, in the units of the names; ``None`` where the
    header is silent. ``teeth`` and ``view`` are what the image claims, not what we conclude.
    ``sensor`` is ours, by the site's list; ``detector_id`` and ``device_serial`` are the header's
    own (0018,700A; 0018,1000). ``path`` is relative to the service's image folder. ``sha256`` is
    over the data set alone, without the file's meta header, so that an image is the same however
    it came.
    """

    KIND: ClassVar[str] = "image_stored"

    room: Name | None
    station: Name
    study_instance_uid: Uid
    series_instance_uid: Uid
    sop_instance_uid: Uid
    sop_class_uid: Uid
    transfer_syntax_uid: Uid
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    size_bytes: Annotated[int, Field(gt=0)]
    path: Annotated[str, Field(min_length=1, max_length=400)]
    patient_id: ShortText
    accession_number: ShortText | None = None
    scheduled_step_id: ShortText | None = None
    acquired_at: UtcTime
    species_code: ShortText | None = None
    teeth: tuple[Tooth, ...] = ()
    view: Name | None = None
    laterality: Literal["R", "L", "B"] | None = None
    rows: Annotated[int, Field(gt=0)] | None = None
    columns: Annotated[int, Field(gt=0)] | None = None
    tube_kv: Positive | None = None
    tube_current_ma: Positive | None = None
    exposure_ms: NotNegative | None = None
    entrance_kerma_mgy: NotNegative | None = None
    kap_mgycm2: NotNegative | None = None
    exposure_index: float | None = None
    target_exposure_index: float | None = None
    deviation_index: float | None = None
    irradiation_event_uid: Uid | None = None
    sensor: Name | None = None
    detector_id: ShortText | None = None
    device_serial: ShortText | None = None
    pixels: PixelStatistics | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "room": "dental-1",
            "station": "station-1",
            "study_instance_uid": "2.25.1001",
            "series_instance_uid": "2.25.1002",
            "sop_instance_uid": "2.25.1003",
            "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
            "transfer_syntax_uid": "1.2.840.10008.1.2.1",
            "sha256": "0" * 64,
            "size_bytes": 2_200_000,
            "path": "north/2026/03/02/2.25.1003.dcm",
            "patient_id": "P-1001",
            "acquired_at": "2026-03-02T09:20:03Z",
            "species_code": "448771007",
            "teeth": [307, 308, 309],
            "view": "mand-molars-l",
            "tube_kv": 65.0,
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at  # a resend comes later and is the same image all the same
        return f"image:{self.sop_instance_uid}:{self.sha256[:16]}"


class DocumentStored(Payload):
    """A DICOM structured report is on our disk, whole: a dose report or a text report.

    What a dose report says becomes exposure facts of its own; this tells that it is held.
    """

    KIND: ClassVar[str] = "document_stored"

    station: Name
    study_instance_uid: Uid
    series_instance_uid: Uid
    sop_instance_uid: Uid
    sop_class_uid: Uid
    transfer_syntax_uid: Uid
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    size_bytes: Annotated[int, Field(gt=0)]
    path: Annotated[str, Field(min_length=1, max_length=400)]
    patient_id: ShortText
    title_code: ShortText | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "station": "station-1",
            "study_instance_uid": "2.25.1001",
            "series_instance_uid": "2.25.1005",
            "sop_instance_uid": "2.25.1006",
            "sop_class_uid": "1.2.840.10008.5.1.4.1.1.88.67",
            "transfer_syntax_uid": "1.2.840.10008.1.2.1",
            "sha256": "1" * 64,
            "size_bytes": 6_200,
            "path": "north/2026/03/02/2.25.1006.dcm",
            "patient_id": "P-1001",
            "title_code": "113701",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"document:{self.sop_instance_uid}:{self.sha256[:16]}"
