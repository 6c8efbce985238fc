"""Logs carry ids through the chain, and nobody's name."""

import json
import logging
from collections.abc import Iterator
from typing import Literal

import pytest
import structlog

from services.runtime.logs import bind_messages, configure_logs
from services.runtime.settings import LogSettings
from tests.messages import clock_read


@pytest.fixture(autouse=True)
def _fresh_structlog() -> Iterator[None]:
    """Leave no stream of this test to the loggers of others."""
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    handlers, level = logging.root.handlers[:], logging.root.level
    yield
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    logging.root.handlers[:] = handlers
    logging.root.setLevel(level)


def test_each_line_of_a_messages_work_carries_its_ids(capsys: pytest.CaptureFixture[str]) -> None:
    configure_logs(LogSettings(), "assessment")
    message = clock_read(correlation_id="order-1001")

    with bind_messages([message]):
        structlog.get_logger("test").info("study_assessed", study="2.25.1")

    line = json.loads(capsys.readouterr().err)
    assert line["event"] == "study_assessed"
    assert line["service"] == "assessment"
    assert line["correlation_id"] == "order-1001"
    assert line["message_id"] == str(message.id)
    assert line["site"] == "north"


@pytest.mark.parametrize("key", ["patient_name", "responsible_person", "patient", "owner", "body"])
def test_a_name_never_reaches_a_log(key: str, capsys: pytest.CaptureFixture[str]) -> None:
    configure_logs(LogSettings(format="console"), "intake")

    structlog.get_logger("test").warning("told", **{key: "Invented Owner"})

    assert "Invented Owner" not in capsys.readouterr().err


def test_the_level_is_kept(capsys: pytest.CaptureFixture[str]) -> None:
    configure_logs(LogSettings(level="warning"), "intake")

    structlog.get_logger("test").info("quiet")
    structlog.get_logger("test").warning("loud")

    assert "quiet" not in (told := capsys.readouterr().err)
    assert "loud" in told


def test_a_batch_carries_the_chains_of_its_messages(capsys: pytest.CaptureFixture[str]) -> None:
    configure_logs(LogSettings(), "assessment")
    batch = [clock_read(n, correlation_id=f"order-{n % 2}") for n in range(4)]

    with bind_messages(batch):
        structlog.get_logger("test").info("room_day_assessed")

    line = json.loads(capsys.readouterr().err)
    assert line["correlation_ids"] == ["order-0", "order-1"]
    assert line["batch"] == 4


@pytest.mark.parametrize("form", ["json", "console"])
def test_a_fault_tells_where_it_was_and_none_of_the_values_in_hand(
    form: Literal["json", "console"], capsys: pytest.CaptureFixture[str]
) -> None:
    configure_logs(LogSettings(format=form), "console")

    def sign_in(password: str) -> None:
        raise ValueError(f"{len(password)} letters")

    try:
        sign_in("".join(reversed("drowssap detnevni")))
    except ValueError as error:
        structlog.get_logger("test").error("page_failed", exc_info=error)

    told = capsys.readouterr().err
    assert "17 letters" in told
    assert "sign_in" in told
    assert "invented password" not in told
