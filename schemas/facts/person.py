"""What people decide at the chairside. Who decided stands in the envelope's source."""

from datetime import datetime
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Name, Text, Tooth, Uid
from schemas.envelope import Payload


class ViewExcused(Payload):
    """A planned view will not be made, for a reason that is told."""

    KIND: ClassVar[str] = "view_excused"

    study_instance_uid: Uid
    view: Name
    reason: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "view": "max-molars-r",
            "reason": "Patient woke early",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"excused:{self.study_instance_uid}:{self.view}:{occurred_at.isoformat()}"


class ImageAssigned(Payload):
    """A person says which planned view an image shows; outranks what the image claims."""

    KIND: ClassVar[str] = "image_assigned"

    study_instance_uid: Uid
    sop_instance_uid: Uid
    view: Name

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "sop_instance_uid": "2.25.1003",
            "view": "max-incisors",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"assigned:{self.sop_instance_uid}:{self.view}:{occurred_at.isoformat()}"


class ImageRejected(Payload):
    """A person rejects an image for its quality; it counts for dose, not for coverage.

    ``reason_code`` is a code value of DICOM CID 7011, 'Rejected for Quality Reasons'.
    """

    KIND: ClassVar[str] = "image_rejected"

    study_instance_uid: Uid
    sop_instance_uid: Uid
    reason_code: Annotated[str, Field(pattern=r"^[0-9]{6}$")]
    remark: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "sop_instance_uid": "2.25.1003",
            "reason_code": "111209",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"rejected:{self.sop_instance_uid}:{self.reason_code}:{occurred_at.isoformat()}"


class LinkDecided(Payload):
    """A person decides which exposure made an image; ``None`` says that none here did."""

    KIND: ClassVar[str] = "link_decided"

    study_instance_uid: Uid
    sop_instance_uid: Uid
    exposure_key: Annotated[str, Field(min_length=1, max_length=160)] | None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "sop_instance_uid": "2.25.1003",
            "exposure_key": "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"linked:{self.sop_instance_uid}:{self.exposure_key}:{occurred_at.isoformat()}"


class ToothAbsent(Payload):
    """The dental chart says that a tooth is not there."""

    KIND: ClassVar[str] = "tooth_absent"

    study_instance_uid: Uid
    tooth: Tooth

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"study_instance_uid": "2.25.1001", "tooth": 305},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"absent:{self.study_instance_uid}:{self.tooth}:{occurred_at.isoformat()}"


class ReadinessChecked(Payload):
    """The checks before the first exposure, as a person confirmed them.

    Common practice, no published source: a sensor goes in only under a surgical plane of
    anaesthesia, with a new cover for each patient, and with everybody out of the beam.
    """

    KIND: ClassVar[str] = "readiness_checked"

    study_instance_uid: Uid
    anaesthetic_plane_confirmed: bool
    people_outside_beam: bool
    new_sensor_cover: bool
    sensor: Name | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "anaesthetic_plane_confirmed": True,
            "people_outside_beam": True,
            "new_sensor_cover": True,
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"readiness:{self.study_instance_uid}:{occurred_at.isoformat()}"


class SensorTested(Payload):
    """A constancy test of a sensor or receptor, by the site's own procedure."""

    KIND: ClassVar[str] = "sensor_tested"

    sensor: Name
    passed: bool
    remark: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"sensor": "sensor-a", "passed": True},)

    def natural_key(self, occurred_at: datetime) -> str:
        return f"sensor-tested:{self.sensor}:{occurred_at.isoformat()}"


class SensorFaulted(Payload):
    """A person saw a fault of a sensor: a bitten cable, a line in every image."""

    KIND: ClassVar[str] = "sensor_faulted"

    sensor: Name
    description: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"sensor": "sensor-a", "description": "Cable bitten at the plug (invented)"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"sensor-fault:{self.sensor}:{occurred_at.isoformat()}"


class SensorHanded(Payload):
    """A sensor went from one room to another."""

    KIND: ClassVar[str] = "sensor_handed"

    sensor: Name
    from_room: Name
    to_room: Name

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"sensor": "sensor-a", "from_room": "dental-1", "to_room": "dental-2"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"sensor:{self.sensor}:{self.to_room}:{occurred_at.isoformat()}"


class FactWithdrawn(Payload):
    """A person takes an earlier decision back; the fact stays and no longer counts."""

    KIND: ClassVar[str] = "fact_withdrawn"

    withdrawn_key: Annotated[str, Field(min_length=1, max_length=280)]
    study_instance_uid: Uid | None = None
    reason: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "withdrawn_key": "absent:2.25.1001:305:2026-03-02T09:30:00+00:00",
            "study_instance_uid": "2.25.1001",
            "reason": "The tooth is there, it was covered by calculus",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"withdrawn:{self.withdrawn_key}"
