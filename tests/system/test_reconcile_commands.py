"""What the command line says of a site's charges: settled, balanced, exported, audited."""

import csv
import json
from datetime import timedelta
from pathlib import Path

import openpyxl
import pytest
from sqlalchemy import text

from schemas.facts import PostingAnswered, PostingOutcome, RecordLine, RecordLinesRead
from schemas.tariffs import load_tariffs
from services.charges.store import read_ledger
from services.charges.worker import ChargesHandler
from services.runtime.store import Store
from tests.assessed import GROUP, START, STUDY, assessed, image, message
from tests.command_line import gomphosis, own_environment
from tests.handled import handle
from tests.newest_schema import bring_to_newest

HOSTILE = "=HYPERLINK(invented)"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """A store with one study of two views: one charge is lost, one line was entered by hand."""
    (tmp_path / "group").mkdir()
    (tmp_path / "group" / "group.yaml").write_text(GROUP.model_dump_json())  # JSON is YAML too
    environment = own_environment(tmp_path, tmp_path / "group") | {"COLUMNS": "250"}
    store = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    bring_to_newest(store)
    handler = ChargesHandler(GROUP, load_tariffs())
    handle(store, handler, "charges", [message(assessed(1, [image(1), image(2)], closed=True))])
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
    handle(store, handler, "charges", [*answers, message(reading, at=at)])
    store.close()
    return environment


def test_a_day_is_told_in_words_with_totals_that_balance(environment: dict[str, str]) -> None:
    told = gomphosis(environment, "reconcile", "--site", "north", "--day", "2026-03-02")

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

    told = gomphosis(
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
    neither = gomphosis(environment, "reconcile", "--site", "north")
    nowhere = gomphosis(environment, "reconcile", "--site", "nowhere", "--day", "2026-03-02")
    blocked = gomphosis(
        environment, "reconcile", "--site", "north", "--day", "2026-03-02",
        "--xlsx", str(tmp_path / "no" / "x.xlsx"),
    )  # fmt: skip

    assert (neither.returncode, nowhere.returncode, blocked.returncode) == (2, 1, 1)
    assert "nowhere" in nowhere.stderr
    assert "expected to write" in blocked.stderr


def test_the_audit_is_whole_until_somebody_changes_it(
    environment: dict[str, str], tmp_path: Path
) -> None:
    whole = gomphosis(environment, "verify-audit", "--json")
    (found,) = json.loads(whole.stdout)
    head = f"{found['head']['number']}:{found['head']['hash']}"
    assert (whole.returncode, found["broken"]) == (0, None)
    store = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    with store.begin() as connection:
        connection.execute(text("DROP TRIGGER charges_audit_no_delete"))
        last = found["head"]["number"]
        connection.execute(text("DELETE FROM charges_audit WHERE number = :last"), {"last": last})
    store.close()

    without = gomphosis(environment, "verify-audit")
    with_head = gomphosis(environment, "verify-audit", "--site", "north", "--head", head)
    wrong = gomphosis(environment, "verify-audit", "--site", "north", "--head", "7")

    assert (without.returncode, with_head.returncode, wrong.returncode) == (0, 4, 2)
    assert f"BROKEN at row {last}: cut off" in with_head.stdout


def test_the_record_is_read_back_on_demand(environment: dict[str, str], tmp_path: Path) -> None:
    held = tmp_path / "data" / "record" / "held" / "north"
    held.mkdir(parents=True)
    line = {"patient_id": "P-1", "service_day": "2026-03-05", "code": "X", "quantity": 1,
            "amount": "9.00", "currency": "EUR"}  # fmt: skip
    (held / "1.json").write_text(json.dumps(line))
    period = ("--site", "north", "--from", "2026-03-01", "--to", "2026-03-31")

    first = gomphosis(environment, "read-back", *period)
    second = gomphosis(environment, "read-back", *period)

    assert first.stdout == "north: 1 day changed since the last reading\n", first.stderr
    assert second.stdout == "north: 0 days changed since the last reading\n"
