"""Invented days of one room, as lists of facts, and their assessment."""

from collections.abc import Sequence

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import (
    ClockRead,
    FactWithdrawn,
    ImageRejected,
    PatientMerged,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)
from tests.room_facts import (
    GENERATOR,
    OTHER_STUDY,
    STUDY,
    VIEWS,
    Facts,
    after,
    assess,
    exposure,
    image,
    order,
    patient,
    told,
)


def one(facts: Sequence[Message[Payload]]) -> StudyAssessed:
    return assess(facts)[STUDY]


def questions(study: StudyAssessed) -> list[str]:
    return [question.code for question in study.questions]


def full_mouth(offset_s: float = 0.0) -> Facts:
    """A cat in ten views, one each minute; the station's clock is ``offset_s`` ahead."""
    facts = [order()]
    for number, view in enumerate(VIEWS):
        facts.append(exposure(number, 60.0 * number))
        facts.append(image(number, 60.0 * number + 3.0 + offset_s, view=view))
    return facts


def two_cats() -> Facts:
    """Two cats back to back with all that may go wrong in a morning."""
    other = {"patient_id": "P-2001"}
    return [
        order(),
        order(OTHER_STUDY, patient=patient(patient_id="P-2001")),
        told(ClockRead(device=GENERATOR, device_time=after(-130.0)), after(-10.0)),
        exposure(1, 0.0),
        image(1, 123.0, view=VIEWS[0]),
        exposure(2, 60.0, exposure_ms=30.0, ended_early=True),
        exposure(3, 80.0),
        image(3, 203.4, view=VIEWS[1]),
        exposure(4, 140.0),
        image(4, 262.9, view=VIEWS[1]),
        exposure(5, 400.0),
        image(5, 523.2, OTHER_STUDY, view=VIEWS[0], **other),
        exposure(6, 470.0),
        image(6, 592.8, OTHER_STUDY, view=VIEWS[2], **other),
        told(
            ImageRejected(
                study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.3", reason_code="111209"
            ),
            after(300.0),
        ),
        told(ToothAbsent(study_instance_uid=STUDY, tooth=104), after(310.0)),
        told(
            FactWithdrawn(
                withdrawn_key=f"absent:{STUDY}:104:{after(310.0).isoformat()}", reason="It is there"
            ),
            after(320.0),
        ),
        told(ViewExcused(study_instance_uid=STUDY, view=VIEWS[3], reason="Woke"), after(330.0)),
        told(PatientMerged(kept_patient_id="P-2002", retired_patient_id="P-2001"), after(900.0)),
        told(StudyClosed(study_instance_uid=STUDY), after(700.0)),
    ]
