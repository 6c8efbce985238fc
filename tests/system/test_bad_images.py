"""Bad images at the DICOM door: a clear error, kept for a person, and the line goes on."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bad_input import assert_images_go_on, assert_nothing_is_half, send_data_set
from tests.intake_support import (
    CT,
    INTRAORAL,
    Intake,
    association,
    encoded,
    make_image,
    running_intake,
    send,
)


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


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


def test_an_image_larger_than_allowed_is_refused_and_nothing_of_it_is_kept(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_image_bytes=5_000) as intake:
        image = make_image(Rows=64, Columns=64, PixelData=bytes(64 * 64 * 2))

        answer = send(intake.dicom_port, image)

        assert answer.Status == 0xC001
        assert "at most 5000 bytes" in answer.ErrorComment
        assert intake.kept_files() == []
        assert_images_go_on(intake)
