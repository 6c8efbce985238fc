"""Input sent to a running intake, good or bad, and whether the line goes on afterwards."""

from __future__ import annotations

import json
from io import BytesIO

import httpx
from pydicom.dataset import Dataset
from pynetdicom.dimse_primitives import C_STORE

from schemas.facts import ExposureEnded
from tests.intake_support import INTRAORAL, TOKENS, Intake, association, make_image, send

GOOD_OFFER = {
    "kind": "exposure_ended",
    "occurred_at": "2026-03-02T10:20:00+01:00",
    "payload": ExposureEnded.EXAMPLES[0],
}


def post(intake: Intake, body: bytes) -> httpx.Response:
    headers = {"Authorization": f"Bearer {TOKENS['generator-1']}"}
    return httpx.post(intake.facts_url, content=body, headers=headers, timeout=30)


def assert_facts_go_on(intake: Intake) -> None:
    """The next good fact is taken."""
    before = len(intake.facts("exposure_ended"))
    assert post(intake, json.dumps(GOOD_OFFER).encode()).status_code == 200
    assert len(intake.facts("exposure_ended")) == before + 1


def assert_images_go_on(intake: Intake) -> None:
    """The next good image is taken."""
    before = len(intake.facts("image_stored"))
    assert send(intake.dicom_port, make_image(99)).Status == 0x0000
    assert len(intake.facts("image_stored")) == before + 1


def assert_nothing_is_half(intake: Intake) -> None:
    """Nothing lies in the incoming folder, and every image on disk has its fact."""
    named = {fact.payload.path for fact in intake.facts("image_stored")}  # type: ignore[attr-defined]
    kept = {path for path in intake.kept_files() if not path.startswith("rejected/")}
    assert kept == named


def store_request(data_set: bytes, sop_class: str = INTRAORAL) -> C_STORE:
    request = C_STORE()
    request.MessageID = 1
    request.AffectedSOPClassUID = sop_class
    request.AffectedSOPInstanceUID = "2.25.70001"
    request.Priority = 2
    request.DataSet = BytesIO(data_set)
    return request


def send_data_set(intake: Intake, data_set: bytes, sop_class: str = INTRAORAL) -> Dataset:
    """Send bytes as an image's data set, whatever they are."""
    request = store_request(data_set, sop_class)
    with association(intake.dicom_port, INTRAORAL) as peer:
        assert peer.is_established
        context = peer.accepted_contexts[0]
        peer._reactor_checkpoint.clear()
        peer.dimse.send_msg(request, context.context_id)
        _, answer = peer.dimse.get_msg(block=True)
        peer._reactor_checkpoint.set()
    status = Dataset()
    status.Status = answer.Status
    status.ErrorComment = answer.ErrorComment or ""
    return status
