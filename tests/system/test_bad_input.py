"""Bad input at every door of intake: a clear error, kept for a person, and the line goes on."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import httpx
import pytest
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian
from pynetdicom import AE, evt
from pynetdicom.dimse_messages import C_STORE_RQ
from pynetdicom.dimse_primitives import C_STORE
from starlette.requests import Request

from schemas.facts import ExposureEnded
from services.intake.http_app import bounded_body
from services.runtime.store import StoreUnavailable
from tests.intake_support import (
    CT,
    HOST,
    INTRAORAL,
    TOKENS,
    Intake,
    association,
    encoded,
    make_image,
    running_intake,
    send,
)
from tests.servers.polling import wait_until

GOOD_OFFER = {
    "kind": "exposure_ended",
    "occurred_at": "2026-03-02T10:20:00+01:00",
    "payload": ExposureEnded.EXAMPLES[0],
}


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


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


def begin_to_send(intake: Intake, peer: Any) -> None:
    """Send a store request but for the end of its data set, and see it arrive."""
    message = C_STORE_RQ()
    message.primitive_to_message(store_request(encoded(make_image())))
    pieces = list(message.encode_msg(peer.accepted_contexts[0].context_id, 500))
    assert len(pieces) > 4
    for piece in pieces[:-2]:
        peer.dul.send_pdu(piece)
    wait_until(lambda: incoming_files(intake), 20, "the image to begin to arrive")


def associates(intake: Intake) -> bool:
    with association(intake.dicom_port, INTRAORAL) as peer:
        return bool(peer.is_established)


def incoming_files(intake: Intake) -> list[Path]:
    return list((intake.images / "incoming").iterdir())


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


@pytest.mark.parametrize(
    ("offer", "field", "expected"),
    [
        ({**GOOD_OFFER, "kind": "toast_burnt"}, "kind", "one of"),
        ({**GOOD_OFFER, "kind": "study_assessed"}, "kind", "one of"),
        ({**GOOD_OFFER, "kind": 7}, "kind", "string"),
        ({**GOOD_OFFER, "schema_version": 99}, "schema_version", "at most 2"),
        ({**GOOD_OFFER, "occurred_at": "2026-03-02T10:20:00"}, "occurred_at", "timezone"),
        ({**GOOD_OFFER, "occurred_at": None}, "occurred_at", "datetime"),
        ({"kind": "exposure_ended"}, "occurred_at", "required"),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": -65.0}},
            "payload.tube_kv",
            "greater than 0",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": "65"}},
            "payload.tube_kv",
            "number",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"colour": "red"}},
            "payload.colour",
            "not permitted",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"exposure_counter": 10**4000}},
            "payload.exposure_counter",
            "less than or equal",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": float("nan")}},
            "payload.tube_kv",
            "",
        ),
        ("not an object", "message", "object"),
        (None, "message", "object"),
    ],
)
def test_a_bad_fact_is_refused_by_its_field_and_kept_for_a_person(
    intake: Intake, offer: Any, field: str, expected: str
) -> None:
    # when
    answer = post(intake, json.dumps([offer]).encode())

    # then
    assert answer.status_code == 207
    (told,) = answer.json()
    assert told["outcome"] == "rejected"
    assert told["field"].startswith(field)
    assert expected in told["expected"]
    (entry,) = intake.triage()
    assert (entry.origin, entry.field) == ("http", told["field"])
    assert json.loads(entry.body)["source"] == {"kind": "device", "name": "generator-1"}
    assert intake.facts() == []
    assert_facts_go_on(intake)


@pytest.mark.parametrize("study", ["2.25.1 ", "", "x" * 200, "2.25.1\n", "\x7f"])
def test_a_study_that_is_no_uid_spoils_neither_its_envelope_nor_its_neighbours(
    intake: Intake, study: str
) -> None:
    payload = ExposureEnded.EXAMPLES[0] | {"study_instance_uid": study}

    answer = post(intake, json.dumps([{**GOOD_OFFER, "payload": payload}, GOOD_OFFER]).encode())

    assert answer.status_code == 207
    assert [one["outcome"] for one in answer.json()] == ["rejected", "accepted"]
    assert answer.json()[0]["field"] == "payload.study_instance_uid"
    (entry,) = intake.triage()
    assert entry.field == "payload.study_instance_uid"


@pytest.mark.parametrize("length", ["\u00b9", "9" * 5_000, "-1", ""])
def test_a_length_that_is_none_is_not_believed(length: str) -> None:
    scope = {
        "type": "http",
        "method": "POST",
        "headers": [(b"content-length", length.encode("latin-1"))],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"invented", "more_body": False}

    assert asyncio.run(bounded_body(Request(scope, receive), 100)) == b"invented"


@pytest.mark.parametrize("body", [b"[{", b"", b"\xff\xfe", b'{"kind": NaN', b"[1, 2" * 1000])
def test_malformed_json_is_refused_and_kept_as_it_came(intake: Intake, body: bytes) -> None:
    # when
    answer = post(intake, body)

    # then
    assert answer.status_code == 400
    assert answer.json()[0]["field"] == "message"
    assert "JSON" in answer.json()[0]["expected"]
    (entry,) = intake.triage()
    assert entry.body == body
    assert_facts_go_on(intake)


def test_json_nested_without_end_is_refused(intake: Intake) -> None:
    answer = post(intake, b"[" * 100_000)

    assert answer.status_code == 400
    assert_facts_go_on(intake)


def test_more_facts_than_allowed_are_refused_together(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_facts_in_body=3) as intake:
        answer = post(intake, json.dumps([GOOD_OFFER] * 4).encode())

        assert answer.status_code == 400
        assert answer.json()[0]["expected"] == "at most 3"
        assert intake.facts() == []


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_that_is_too_large_is_cut_off(tmp_path: Path, chunked: bool) -> None:
    with running_intake(tmp_path / "data", max_body_bytes=10_000) as intake:
        # given
        body = b"x" * 50_000
        content: Any = iter([body[:25_000], body[25_000:]]) if chunked else body

        # when
        headers = {"Authorization": f"Bearer {TOKENS['generator-1']}"}
        answer = httpx.post(intake.facts_url, content=content, headers=headers, timeout=30)

        # then
        assert answer.status_code == 413
        assert answer.json()["expected"] == "at most 10000 bytes"
        assert_facts_go_on(intake)


def test_an_image_without_patient_id_is_refused_and_kept_aside(intake: Intake) -> None:
    # when
    answer = send(intake.dicom_port, make_image(PatientID=None))

    # then
    assert answer.Status == 0xC000
    assert answer.ErrorComment.startswith("PatientID (0010,0020)")
    (entry,) = intake.triage()
    assert (entry.origin, entry.field) == ("dicom", "PatientID (0010,0020)")
    told = json.loads(entry.body)
    assert (intake.images / told["path"]).is_file()
    assert b"Pepper" not in entry.body, "an entry names no animal and no owner"
    assert intake.facts() == []
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


@pytest.mark.parametrize("keyword", ["StudyInstanceUID", "SeriesInstanceUID", "PixelData"])
def test_an_image_without_what_it_needs_is_refused_by_name(intake: Intake, keyword: str) -> None:
    without: dict[str, Any] = {keyword: None}
    answer = send(intake.dicom_port, make_image(**without))

    assert answer.Status == 0xC000
    assert answer.ErrorComment.startswith(keyword)
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


def test_a_sop_class_that_is_not_taken_finds_no_context(intake: Intake) -> None:
    with association(intake.dicom_port, CT, INTRAORAL) as peer:
        assert [context.abstract_syntax for context in peer.accepted_contexts] == [INTRAORAL]


def test_a_data_set_of_another_sop_class_than_negotiated_is_answered_a900(intake: Intake) -> None:
    # given: announced as intraoral, and a CT image inside
    data_set = encoded(make_image(SOPClassUID=CT))

    # when
    answer = send_data_set(intake, data_set)

    # then
    assert answer.Status == 0xA900
    assert answer.ErrorComment.startswith("SOPClassUID (0008,0016)")
    assert len(intake.triage()) == 1
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


def test_a_command_of_another_sop_class_than_negotiated_is_answered_a900(intake: Intake) -> None:
    answer = send_data_set(intake, encoded(make_image(SOPClassUID=CT)), sop_class=CT)

    assert answer.Status == 0xA900
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


@pytest.mark.parametrize("kept_share", [0.1, 0.5, 0.999])
def test_a_truncated_data_set_is_refused_and_kept_aside(intake: Intake, kept_share: float) -> None:
    # given
    whole = encoded(make_image())

    # when
    answer = send_data_set(intake, whole[: int(len(whole) * kept_share)])

    # then
    assert answer.Status == 0xC000
    (entry,) = intake.triage()
    assert (intake.images / json.loads(entry.body)["path"]).is_file()
    assert intake.facts() == []
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


@pytest.mark.parametrize("claimed_bytes", [2_147_483_646, 4_294_967_294])
def test_a_claim_of_2_gb_in_a_length_field_is_refused(intake: Intake, claimed_bytes: int) -> None:
    # given
    whole = encoded(make_image())
    at = whole.index(b"\xe0\x7f\x10\x00OW") + 8
    data_set = whole[:at] + claimed_bytes.to_bytes(4, "little") + whole[at + 4 :]

    # when
    answer = send_data_set(intake, data_set)

    # then
    assert answer.Status == 0xC000
    assert answer.ErrorComment.startswith("PixelData (7FE0,0010) length")
    assert len(intake.triage()) == 1
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


def test_pixel_data_that_is_too_short_for_its_rows_and_columns_is_refused(intake: Intake) -> None:
    answer = send(intake.dicom_port, make_image(PixelData=b"\x00" * 100))

    assert answer.Status == 0xC000
    assert answer.ErrorComment.startswith("PixelData (7FE0,0010) length")


def test_noise_instead_of_a_data_set_is_refused(intake: Intake) -> None:
    answer = send_data_set(intake, os.urandom(5_000))

    assert answer.Status == 0xC000
    assert_images_go_on(intake)
    assert_nothing_is_half(intake)


def test_a_pdu_that_claims_2_gb_ends_the_connection_at_once(intake: Intake) -> None:
    # given
    with socket.create_connection((HOST, intake.dicom_port), timeout=30) as peer:
        # when: an A-ASSOCIATE-RQ of 2 GB (PS3.8 section 9.3.1)
        peer.sendall(b"\x01\x00" + (2_147_483_646).to_bytes(4, "big") + b"\x00" * 100)

        # then
        # A reset is the same end, said more rudely, since our bytes were not read.
        with suppress(ConnectionResetError):
            assert peer.recv(100) == b""
    assert_images_go_on(intake)


def test_an_image_larger_than_allowed_is_refused_and_nothing_of_it_is_kept(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_image_bytes=5_000) as intake:
        image = make_image(Rows=64, Columns=64, PixelData=bytes(64 * 64 * 2))

        answer = send(intake.dicom_port, image)

        assert answer.Status == 0xC001
        assert "at most 5000 bytes" in answer.ErrorComment
        assert intake.kept_files() == []
        assert_images_go_on(intake)


@pytest.mark.parametrize(
    ("calling", "called", "reason"),
    [
        ("STRANGER", "GOMPHOSIS", 0x03),
        ("STATION1", "WRONG", 0x07),
        ("STATION1", "GOMPH_SOUTH", 0x03),
        ("FAR", "GOMPHOSIS", 0x03),  # a known title from an address that is not its own
    ],
)
def test_a_wrong_title_or_address_is_rejected_with_the_standards_reason(
    intake: Intake, calling: str, called: str, reason: int
) -> None:
    # given
    entity = AE(ae_title=calling)
    entity.add_requested_context(INTRAORAL, ExplicitVRLittleEndian)
    reasons: list[tuple[int, int, int]] = []

    def note(event: Any) -> None:
        answer = event.assoc.acceptor.primitive
        reasons.append((answer.result, answer.result_source, answer.diagnostic))

    # when
    peer = entity.associate(
        HOST, intake.dicom_port, ae_title=called, evt_handlers=[(evt.EVT_REJECTED, note)]
    )

    # then: rejected for good by the service user (PS3.8 table 9-21)
    assert peer.is_rejected
    assert reasons == [(0x01, 0x01, reason)]
    assert_images_go_on(intake)


def test_one_association_too_many_is_rejected_for_now(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_associations=1) as intake:
        # given
        entity = AE(ae_title="STATION1")
        entity.add_requested_context(INTRAORAL, ExplicitVRLittleEndian)
        reasons: list[tuple[int, int, int]] = []

        def note(event: Any) -> None:
            answer = event.assoc.acceptor.primitive
            reasons.append((answer.result, answer.result_source, answer.diagnostic))

        # when
        with association(intake.dicom_port, INTRAORAL):
            entity.associate(
                HOST,
                intake.dicom_port,
                ae_title="GOMPHOSIS",
                evt_handlers=[(evt.EVT_REJECTED, note)],
            )

        # then: transient, presentation related, local limit exceeded (PS3.8 table 9-21)
        assert reasons == [(0x02, 0x03, 0x02)]
        wait_until(lambda: associates(intake), 20, "the next association to be taken")


def test_a_peer_that_stops_in_the_middle_of_a_pdu_does_not_hold_its_place(tmp_path: Path) -> None:
    with (
        running_intake(tmp_path / "data", idle_timeout_s=0.3) as intake,
        socket.create_connection((HOST, intake.dicom_port), timeout=60) as peer,
    ):
        peer.sendall(b"\x01\x00\x00")

        with suppress(ConnectionResetError):
            assert peer.recv(100) == b""
        assert_facts_go_on(intake)


@pytest.mark.parametrize("how", ["abort", "connection lost"])
def test_an_end_in_mid_transfer_leaves_nothing(intake: Intake, how: str) -> None:
    # given
    with association(intake.dicom_port, INTRAORAL) as peer:
        begin_to_send(intake, peer)

        # when
        if how == "abort":
            peer.abort()
        else:
            peer.dul.socket.socket.shutdown(socket.SHUT_RDWR)

        # then
        wait_until(lambda: not incoming_files(intake), 20, "the half image to be removed")
    assert intake.kept_files() == []
    assert intake.facts() == []
    assert_images_go_on(intake)


def test_too_little_free_space_is_answered_a700_and_nothing_is_kept(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", min_free_bytes=1 << 60) as intake:
        answer = send(intake.dicom_port, make_image())

        assert answer.Status == 0xA700
        assert "disk full" in answer.ErrorComment
        assert intake.kept_files() == []
        assert intake.facts() == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB that is really full when it is full."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"this machine mounts no tmpfs: {done.stderr.strip()}")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_is_answered_a700_and_the_line_goes_on_once_there_is_room(
    tmp_path: Path, small_disk: Path
) -> None:
    # given: images on the small disk, the store elsewhere
    data = tmp_path / "data"
    data.mkdir()
    (data / "images").symlink_to(small_disk)
    with running_intake(data) as intake:
        filler = small_disk / "filler"
        filler.write_bytes(b"x" * 1_000_000)
        large = make_image(Rows=512, Columns=512, PixelData=bytes(512 * 512 * 2))

        # when
        answer = send(intake.dicom_port, large)

        # then
        assert answer.Status == 0xA700
        assert "disk full" in answer.ErrorComment
        assert list((small_disk / "incoming").iterdir()) == []
        assert intake.facts() == []
        assert intake.triage() == []

        # when
        filler.unlink()

        # then
        assert send(intake.dicom_port, large).Status == 0x0000
        assert_images_go_on(intake)
        assert_nothing_is_half(intake)


def test_a_store_that_is_away_is_answered_a700_and_503_and_nothing_is_acknowledged(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: the store's file cannot be opened, as on a lost volume
    store = intake.runtime.store
    good = make_image(99)
    store.close()
    database = Path(str(store.url.database))
    away = database.with_suffix(".away")
    _move(database, away)
    database.mkdir()

    # when
    image_answer = send(intake.dicom_port, good)
    fact_answer = post(intake, json.dumps([GOOD_OFFER]).encode())

    # then
    assert image_answer.Status == 0xA700
    assert "store unavailable" in image_answer.ErrorComment
    assert fact_answer.status_code == 503
    assert fact_answer.headers["Retry-After"]
    with pytest.raises(StoreUnavailable):
        intake.facts()

    # when it is back
    store.close()
    database.rmdir()
    _move(away, database)

    # then
    assert intake.facts() == []
    assert_images_go_on(intake)
    assert_facts_go_on(intake)
    assert_nothing_is_half(intake)


def _move(source: Path, target: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path = Path(f"{source}{suffix}")
        if path.exists():
            path.rename(f"{target}{suffix}")
