"""What the command line says of a site's charges: settled, balanced, exported, audited."""

import csv
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import openpyxl
import pytest
from sqlalchemy import text

from schemas.envelope import Message, Payload
from schemas.facts import PostingAnswered, PostingOutcome, RecordLine, RecordLinesRead
from schemas.tariffs import load_tariffs
from services.charges.store import read_ledger
from services.charges.worker import ChargesHandler
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP, START, STUDY, assessed, image, message

HOSTILE = "=HYPERLINK(invented)"


def _gomphosis(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )


def _handle(store: Store, messages: Sequence[Message[Payload]]) -> None:
    with store.begin() as connection:
        work = Work(connection, store)
        ChargesHandler(GROUP, load_tariffs())(work, messages)
        work.flush("charges")


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """A store with one study of two views: one charge is lost, one line was entered by hand."""
    (tmp_path / "group").mkdir()
    (tmp_path / "group" / "group.yaml").write_text(GROUP.model_dump_json())  # JSON is YAML too
    own = {
        "GOMPHOSIS_DATA_DIR": str(tmp_path / "data"),
        "GOMPHOSIS_GROUP_DIR": str(tmp_path / "group"),
        "COLUMNS": "250",
    }
    environment = dict(os.environ) | own
    store = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    migrate(store)
    _handle(store, [message(assessed(1, [image(1), image(2)], closed=True))])
    with store.read() as connection:
        ledger = read_ledger(connection, "north", STUDY)
    lines = [
        RecordLine(
            line_id=f"L-{number}",
            posting_key=entry.posting_key,
            patient_id="P-1001",
            service_day=entry.service_day,
            code=entry.code,
            quantity=1,
            amount=entry.signed_amount,
            currency="EUR",
        )
        for number, entry in enumerate(ledger)
    ]
    by_hand = lines[0].model_copy(
        update={"line_id": "L-9", "posting_key": None, "patient_id": HOSTILE, "code": HOSTILE}
    )
    answers = [
        message(
            PostingAnswered(
                posting_key=entry.posting_key,
                study_instance_uid=STUDY,
                outcome=PostingOutcome.ACCEPTED,
            )
        )
        for entry in ledger
    ]
    at = START + timedelta(hours=1)
    reading = RecordLinesRead(
        day=ledger[0].service_day, read_at=at, lines=(*lines[:1], *lines[2:], by_hand)
    )
    _handle(store, [*answers, message(reading, at=at)])
    store.close()
    return environment


def test_a_day_is_told_in_words_with_totals_that_balance(environment: dict[str, str]) -> None:
    told = _gomphosis(environment, "reconcile", "--site", "north", "--day", "2026-03-02")

    assert told.returncode == 0, told.stderr
    assert "images: 2 seen = 2 charged + 0 not charged" in told.stdout
    assert "priced 53.70 - not due yet 0.00 = due 53.70" in told.stdout
    assert "posted 53.70 - 14.50 missing + 38.00 unsupported = held 77.20" in told.stdout
    assert "matched: 2, 39.20" in told.stdout
    assert "how it was counted" in told.stdout


def test_a_month_is_written_as_csv_workbook_and_json_that_agree(
    environment: dict[str, str], tmp_path: Path
) -> None:
    sheet, book = tmp_path / "march.csv", tmp_path / "march.xlsx"

    told = _gomphosis(
        environment, "reconcile", "--site", "north", "--month", "2026-03", "--all", "--json",
        "--csv", str(sheet), "--xlsx", str(book),
    )  # fmt: skip

    assert told.returncode == 0, told.stderr
    (report,) = json.loads(told.stdout)["currencies"]
    assert sorted(line["class"] for line in report["lines"]) == [
        "matched",
        "matched",
        "missing",
        "unsupported",
    ]
    assert report["totals"][-1]["held"] == "77.20"
    with sheet.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["class"] for row in rows] == [line["class"] for line in report["lines"]]
    assert {row["code"] for row in rows if row["class"] == "unsupported"} == {f"'{HOSTILE}"}
    workbook = openpyxl.load_workbook(book)
    assert workbook.sheetnames == ["exceptions", "lines", "control totals", "summary"]
    assert workbook["exceptions"].max_row == 1 + 2
    assert workbook["lines"].max_row == 1 + 4
    formulas = [
        cell.value
        for sheet_ in workbook
        for row in sheet_.iter_rows()
        for cell in row
        if cell.data_type == "f"
    ]
    assert formulas == []
    summary = {row[1].value: row[2].value for row in workbook["summary"].iter_rows(min_row=2)}
    assert summary["audit head"] == json.loads(told.stdout)["audit_head"]


def test_wrong_use_is_told_with_its_code(environment: dict[str, str], tmp_path: Path) -> None:
    neither = _gomphosis(environment, "reconcile", "--site", "north")
    nowhere = _gomphosis(environment, "reconcile", "--site", "nowhere", "--day", "2026-03-02")
    blocked = _gomphosis(
        environment, "reconcile", "--site", "north", "--day", "2026-03-02",
        "--xlsx", str(tmp_path / "no" / "x.xlsx"),
    )  # fmt: skip

    assert (neither.returncode, nowhere.returncode, blocked.returncode) == (2, 1, 1)
    assert "nowhere" in nowhere.stderr
    assert "expected to write" in blocked.stderr


def test_the_audit_is_whole_until_somebody_changes_it(
    environment: dict[str, str], tmp_path: Path
) -> None:
    whole = _gomphosis(environment, "verify-audit", "--json")
    (found,) = json.loads(whole.stdout)
    head = f"{found['head']['number']}:{found['head']['hash']}"
    assert (whole.returncode, found["broken"]) == (0, None)
    store = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    with store.begin() as connection:
        connection.execute(text("DROP TRIGGER charges_audit_no_delete"))
        last = found["head"]["number"]
        connection.execute(text("DELETE FROM charges_audit WHERE number = :last"), {"last": last})
    store.close()

    without = _gomphosis(environment, "verify-audit")
    with_head = _gomphosis(environment, "verify-audit", "--site", "north", "--head", head)
    wrong = _gomphosis(environment, "verify-audit", "--site", "north", "--head", "7")

    assert (without.returncode, with_head.returncode, wrong.returncode) == (0, 4, 2)
    assert f"BROKEN at row {last}: cut off" in with_head.stdout


def test_the_record_is_read_back_on_demand(environment: dict[str, str], tmp_path: Path) -> None:
    held = tmp_path / "data" / "record" / "held" / "north"
    held.mkdir(parents=True)
    line = {"patient_id": "P-1", "service_day": "2026-03-05", "code": "X", "quantity": 1,
            "amount": "9.00", "currency": "EUR"}  # fmt: skip
    (held / "1.json").write_text(json.dumps(line))
    period = ("--site", "north", "--from", "2026-03-01", "--to", "2026-03-31")

    first = _gomphosis(environment, "read-back", *period)
    second = _gomphosis(environment, "read-back", *period)

    assert first.stdout == "north: 1 day changed since the last reading\n", first.stderr
    assert second.stdout == "north: 0 days changed since the last reading\n"
