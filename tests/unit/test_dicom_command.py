"""Command sets and fragments of C-STORE, against pynetdicom and against what cannot be true."""

from __future__ import annotations

from io import BytesIO

import pytest
from pydicom.uid import UID
from pynetdicom.dimse_messages import C_STORE_RQ, DIMSEMessage
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.pdu import P_DATA_TF

from services.intake.dicom_command import (
    ProtocolViolation,
    StoreRequest,
    fragments,
    read_store_request,
    store_response,
)
from tests.intake_support import INTRAORAL
from tests.raw_dicom import (
    COMMAND,
    LAST,
    command_set,
    echo_command,
    element,
    fragment,
    number,
    store_command,
)

REQUEST = StoreRequest(3, 77, b"1.2.840.10008.5.1.4.1.1.1.3\x00", b"2.25.70001", True)


def test_a_request_that_pynetdicom_encodes_is_read() -> None:
    # given
    primitive = C_STORE()
    primitive.MessageID, primitive.Priority = 4711, 2
    primitive.AffectedSOPClassUID, primitive.AffectedSOPInstanceUID = INTRAORAL, "2.25.70001"
    primitive.DataSet = BytesIO(b"data")
    message = C_STORE_RQ()
    message.primitive_to_message(primitive)
    command = b"".join(
        data[1:]
        for piece in message.encode_msg(3, 64)
        for _, data in piece.presentation_data_value_list
        if data[0] & COMMAND
    )

    # when
    request = read_store_request(3, command)

    # then
    assert request is not None
    assert (request.context_id, request.message_id) == (3, 4711)
    assert (request.sop_class_uid, request.sop_instance_uid) == (INTRAORAL, "2.25.70001")
    assert request.has_data_set


@pytest.mark.parametrize("max_pdu_bytes", [0, 16_384, 64, 9])
def test_pynetdicom_reads_our_answer_whatever_pdu_length_it_takes(max_pdu_bytes: int) -> None:
    # when
    encoded = list(store_response(REQUEST, 0xA700, "disk full", max_pdu_bytes))

    # then
    message = DIMSEMessage()
    for index, one in enumerate(encoded):
        assert max_pdu_bytes == 0 or len(one) - 6 <= max_pdu_bytes
        pdu = P_DATA_TF()
        pdu.decode(one)
        assert message.decode_msg(pdu.to_primitive()) == (index == len(encoded) - 1)
    answer = message.message_to_primitive()
    assert isinstance(answer, C_STORE)
    assert (answer.Status, answer.ErrorComment) == (0xA700, "disk full")
    assert answer.MessageIDBeingRespondedTo == 77
    assert answer.AffectedSOPClassUID == UID(INTRAORAL)
    assert answer.AffectedSOPInstanceUID == UID("2.25.70001")
    assert message.context_id == 3


def test_another_command_is_left_to_pynetdicom() -> None:
    assert read_store_request(1, echo_command()) is None


def test_a_request_without_a_data_set_says_so() -> None:
    request = read_store_request(1, store_command("2.25.1", data_set=0x0101))

    assert request is not None
    assert not request.has_data_set


@pytest.mark.parametrize(
    "command",
    [
        b"",
        b"\x00\x00\x00",
        element(0x0100, number(1))[:-1],
        command_set(element(0x0100, b"\x01")),
        command_set(element(0x0100, number(1))),
        command_set(element(0x0100, number(1)), element(0x0110, number(1))),
        b"\x08\x00\x16\x00\x00\x00\x00\x00",
        store_command("2.25.1")[:-4],
    ],
)
def test_a_command_set_that_is_none_is_a_violation(command: bytes) -> None:
    with pytest.raises(ProtocolViolation):
        read_store_request(1, command)


def test_several_fragments_of_a_pdu_come_in_order() -> None:
    body = fragment(COMMAND | LAST, b"command", 5) + fragment(0, b"") + fragment(LAST, b"end")

    found = [
        (one.context_id, one.is_command, one.is_last, bytes(one.data))
        for one in fragments(memoryview(body))
    ]

    assert found == [
        (5, True, True, b"command"),
        (1, False, False, b""),
        (1, False, True, b"end"),
    ]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\x00\x00\x00\x04\x01",
        b"\x00\x00\x00\x01\x01\x03",
        b"\x00\x00\x00\x00\x01\x03",
        b"\xff\xff\xff\xff\x01\x03data",
        b"\x00\x00\x00\x07\x01\x03data",
        fragment(0, b"whole") + b"\x00\x00\x00",
    ],
)
def test_a_fragment_length_that_lies_is_a_violation(body: bytes) -> None:
    with pytest.raises(ProtocolViolation):
        list(fragments(memoryview(body)))
