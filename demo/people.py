"""What the invented technician and the invented vet do during the day, by HTTP."""

from datetime import datetime

from demo.http_teller import HttpTeller
from schemas.envelope import Payload
from schemas.facts import (
    ImageAssigned,
    ImageRejected,
    NoteSigned,
    ReadinessChecked,
    StudyClosed,
    ViewExcused,
)

_POSITIONING = "111209"
"""'Positioning', DICOM CID 7011, Rejected for Quality Reasons."""


class Person:
    """One person with a token of their own."""

    def __init__(self, url: str, name: str) -> None:
        self._name = name
        self._door = HttpTeller(url, name)

    def _tell(self, at: datetime, fact: Payload, *, signs: bool = False) -> None:
        told = fact.model_dump(mode="json", exclude=set(fact.SET_BY_INTAKE))
        self._door.tell(fact.KIND, at, told, fact.VERSION, signs=signs)

    def confirms_readiness(self, at: datetime, study: str) -> None:
        """Confirm the surgical plane, everybody out of the beam, a new cover on the sensor."""
        fact = ReadinessChecked(
            study_instance_uid=study,
            anaesthetic_plane_confirmed=True,
            people_outside_beam=True,
            new_sensor_cover=True,
        )
        self._tell(at, fact)

    def rejects(self, at: datetime, study: str, image: str) -> None:
        fact = ImageRejected(
            study_instance_uid=study, sop_instance_uid=image, reason_code=_POSITIONING
        )
        self._tell(at, fact)

    def excuses(self, at: datetime, study: str, view: str, reason: str) -> None:
        self._tell(at, ViewExcused(study_instance_uid=study, view=view, reason=reason))

    def assigns(self, at: datetime, study: str, image: str, view: str) -> None:
        fact = ImageAssigned(study_instance_uid=study, sop_instance_uid=image, view=view)
        self._tell(at, fact)

    def closes(self, at: datetime, study: str) -> None:
        self._tell(at, StudyClosed(study_instance_uid=study))

    def signs(self, at: datetime, study: str, note_sha256: str) -> None:
        fact = NoteSigned(study_instance_uid=study, note_sha256=note_sha256, signer=self._name)
        self._tell(at, fact, signs=True)
