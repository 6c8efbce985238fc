"""HL7 v2 over MLLP: messages of a client process become facts, or are refused by name."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import yaml
from sqlalchemy import select

from schemas.facts import OrderPlaced, PatientDescribed
from services.intake.store import FACT
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.intake_support import HOST, Intake, running_intake
from tests.newest_schema import bring_to_newest
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.hl7_texts import adt, header, joined, obr, omg, orm
from tests.record_inputs.mllp_client import MllpClient
from tests.record_inputs.mllp_listening import ask, code, listening, read
from tests.servers.polling import wait_until
from tests.servers.ports import free_port, port_is_open

ROOT = Path(__file__).parents[2]


def test_a_client_process_tells_a_patient_and_an_order(
    mllp: tuple[Intake, int], tmp_path: Path
) -> None:
    # given
    intake, port = mllp
    files = []
    for number, lines in enumerate([adt(control_id="C-1"), orm(control_id="C-2")]):
        files.append(tmp_path / f"message-{number}")
        files[-1].write_bytes(joined(lines))

    # when
    program = [sys.executable, "-m", "tests.record_inputs.mllp_client", HOST, str(port)]
    command = [*program, *(str(file) for file in files)]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)

    # then
    answers = [read(json.loads(text).encode()) for text in run.stdout.splitlines()]
    told = [(one.one("MSA").text(1), one.one("MSA").text(2)) for one in answers]
    assert told == [("AA", "C-1"), ("AA", "C-2")]
    patient, order = intake.facts()
    assert isinstance(patient.payload, PatientDescribed)
    assert isinstance(order.payload, OrderPlaced)
    assert (order.site, order.source.kind, order.source.name) == ("north", "record", "record-north")
    assert order.source_clock == "20260302090000+0100"
    assert intake.outbox() == [patient, order]
    assert intake.triage() == []


def test_a_message_sent_again_is_recognised(mllp: tuple[Intake, int]) -> None:
    intake, port = mllp

    assert [code(ask(port, omg())) for _ in range(3)] == ["AA", "AA", "AA"]

    assert len(intake.facts()) == len(intake.outbox()) == 1


def test_a_control_id_used_anew_for_another_message_is_taken(mllp: tuple[Intake, int]) -> None:
    intake, port = mllp
    other = [text.replace("1001", "2002") for text in omg()]

    assert [code(ask(port, lines)) for lines in (omg(), other)] == ["AA", "AA"]

    assert len(intake.facts()) == 2


def test_an_unmapped_code_is_one_triage_entry_and_an_error_that_names_it(
    mllp: tuple[Intake, int],
) -> None:
    # given
    intake, port = mllp
    lines = [obr(code="NEW-CODE") if text.startswith("OBR") else text for text in omg()]

    # when: the sender tries twice, as senders do
    answers = [ask(port, lines), ask(port, lines)]

    # then
    assert [code(answer) for answer in answers] == ["AE", "AE"]
    error = read(answers[0]).one("ERR")
    assert [error.text(2, part) for part in (1, 2, 3, 4, 5)] == ["OBR", "1", "4", "1", "1"]
    assert (error.text(3), error.text(4)) == ("103", "E")
    assert "NEW-CODE" in error.text(8)
    (entry,) = intake.triage()
    assert (entry.origin, entry.field, entry.value) == ("hl7", "OBR-4.1", "'NEW-CODE'")
    assert "record_codes.yaml" in str(entry.expected)
    assert entry.body == joined(lines)
    assert intake.facts() == []


def test_once_the_code_is_mapped_the_same_message_is_taken(tmp_path: Path) -> None:
    lines = [obr(code="NEW-CODE") if text.startswith("OBR") else text for text in omg()]
    with listening(tmp_path) as (_, port):
        assert code(ask(port, lines)) == "AE"
    mended = {"enabled": True, "port": 0}
    write_codes(tmp_path, orders={"NEW-CODE": "dog-full-mouth"})

    with running_intake(tmp_path, group=record_group(), mllp=mended) as intake:
        server = next(loop for loop in intake.service.loops if loop.name == "mllp")
        port = server.run.__self__.port  # type: ignore[attr-defined]

        assert code(ask(port, lines)) == "AA"
        assert len(intake.facts()) == 1


def test_another_content_under_the_same_order_and_moment_is_put_to_a_person(
    mllp: tuple[Intake, int],
) -> None:
    intake, port = mllp
    other = [obr(code="INV-DENT-CAT") if text.startswith("OBR") else text for text in omg()]

    assert code(ask(port, omg())) == "AA"
    answer = ask(port, other)

    assert (code(answer), read(answer).one("ERR").text(3)) == ("AE", "205")
    assert len(intake.facts()) == len(intake.triage()) == 1


def test_an_order_cancelled_twice_with_other_words_stays_cancelled(
    mllp: tuple[Intake, int],
) -> None:
    intake, port = mllp
    for number, reason in enumerate(["declined", "owner called"]):
        lines = omg("CA", control_id=f"C-{number}")
        lines = [f"ORC|CA|1001{'|' * 14}^{reason}" if t.startswith("ORC") else t for t in lines]
        assert code(ask(port, lines)) == "AA"

    assert len(intake.facts("order_cancelled")) == 1


def test_enhanced_mode_gets_a_commit_and_an_application_answer(mllp: tuple[Intake, int]) -> None:
    _, port = mllp

    with MllpClient(port) as client:
        client.send(joined(omg(f15="AL", f16="AL")))
        commit, application = read(client.receive()), read(client.receive())

    assert [one.one("MSA").text(1) for one in (commit, application)] == ["CA", "AA"]
    assert application.header.text(9) == "ORG"
    assert application.header.text(15) == "NE"


def test_an_acknowledgement_is_heard_and_not_answered(mllp: tuple[Intake, int]) -> None:
    _, port = mllp

    with MllpClient(port) as client:
        client.send(joined([header("ACK"), "MSA|AA|1"]))
        assert code(client.ask(joined(adt()))) == "AA"


def start(folder: Path, module: str, port: int) -> subprocess.Popen[bytes]:
    environment = {
        "PATH": os.environ["PATH"],
        "GOMPHOSIS_DATA_DIR": str(folder / "data"),
        "GOMPHOSIS_GROUP_DIR": str(folder / "group"),
        "GOMPHOSIS_INTAKE__DICOM_PORT": str(free_port()),
        "GOMPHOSIS_INTAKE__HTTP_PORT": str(free_port()),
        "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "0",
        "GOMPHOSIS_INTAKE__MLLP__ENABLED": "true",
        "GOMPHOSIS_INTAKE__MLLP__PORT": str(port),
        "GOMPHOSIS_HEALTH__PORT": str(free_port()),
    }
    with (folder / "log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", module, "start", "intake"],
            env=environment,
            cwd=ROOT,
            stdout=log,
            stderr=log,
        )
    wait_until(lambda: port_is_open(port), 60, f"intake to listen; see {folder / 'log'}")
    return process


def test_killed_between_commit_and_answer_it_recognises_the_message_sent_again(
    tmp_path: Path,
) -> None:
    # given: an intake that has committed and dies before it answers
    write_codes(tmp_path)
    (tmp_path / "group" / "group.yaml").write_text(yaml.safe_dump(record_group()))
    settings = Settings(data_dir=tmp_path / "data", group_dir=tmp_path / "group")
    store = Store(settings.store_url)
    bring_to_newest(store)
    port = free_port()
    process = start(tmp_path, "tests.record_inputs.intake_killed_before_answer", port)
    with MllpClient(port) as client:
        assert client.ask(joined(omg())) is None
    assert process.wait(60) == -signal.SIGKILL
    kept = select(FACT.c.id).where(FACT.c.kind == "order_placed")
    with store.read() as connection:
        first = connection.execute(kept).scalars().all()
    assert len(first) == 1

    # when: the sender, who had no answer, sends it again
    process = start(tmp_path, "services.runtime.cli.main", port)
    try:
        with MllpClient(port) as client:
            answer = client.ask(joined(omg()))
    finally:
        process.terminate()
        assert process.wait(60) == 0

    # then
    assert code(answer) == "AA"
    with store.read() as connection:
        assert connection.execute(kept).scalars().all() == first
    store.close()
