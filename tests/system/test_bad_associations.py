"""Peers that may not call, claim too much or break off: nothing half is kept, the line goes on."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from pydicom.uid import ExplicitVRLittleEndian
from pynetdicom import AE
from pynetdicom.dimse_messages import C_STORE_RQ

from tests.bad_input import assert_facts_go_on, assert_images_go_on, store_request
from tests.intake_support import (
    HOST,
    INTRAORAL,
    Intake,
    association,
    encoded,
    make_image,
    rejection,
    running_intake,
)
from tests.servers.polling import wait_until


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


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


def test_a_pdu_that_claims_2_gb_ends_the_connection_at_once(intake: Intake) -> None:
    # given
    with socket.create_connection((HOST, intake.dicom_port), timeout=30) as peer:
        # when: an A-ASSOCIATE-RQ of 2 GB (PS3.8 section 9.3.1; from memory)
        peer.sendall(b"\x01\x00" + (2_147_483_646).to_bytes(4, "big") + b"\x00" * 100)

        # then
        # A reset is the same end, said more rudely, since our bytes were not read.
        with suppress(ConnectionResetError):
            assert peer.recv(100) == b""
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

    # when
    peer = entity.associate(HOST, intake.dicom_port, ae_title=called)

    # then: rejected for good by the service user (PS3.8 table 9-21; from memory)
    assert rejection(peer) == (0x01, 0x01, reason)
    assert_images_go_on(intake)


def test_one_association_too_many_is_rejected_for_now(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_associations=1) as intake:
        # given
        entity = AE(ae_title="STATION1")
        entity.add_requested_context(INTRAORAL, ExplicitVRLittleEndian)

        # when
        with association(intake.dicom_port, INTRAORAL):
            peer = entity.associate(HOST, intake.dicom_port, ae_title="GOMPHOSIS")

        # then: transient, presentation related, local limit exceeded (PS3.8 table 9-21; memory)
        assert rejection(peer) == (0x02, 0x03, 0x02)
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
