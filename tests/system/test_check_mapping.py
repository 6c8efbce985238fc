"""`gomphosis check-mapping`, as a person types it before go-live and after."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from schemas.mappings.record_codes import load_record_codes
from services.intake.record_words import NotMapped, plan_of
from services.records.suite.samples import charge_posting, entry
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.triage import Kept, keep
from services.runtime.worker import Work
from tests.command_line import DEMO_GROUP, gomphosis, own_environment
from tests.contract.record_samples import charges, message
from tests.newest_schema import bring_to_newest

CODES = """
charges: {INV-DOG-FIRST: X-1, INV-DOG-NEXT: X-2, INV-CAT-FIRST: X-3, INV-COVRE: X-5}
species: {dog: CANINE, cat: FELINE}
"""


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    group = tmp_path / "group"
    shutil.copytree(DEMO_GROUP, group)
    codes = tmp_path / "codes.yaml"
    codes.write_text(CODES)
    options = {"GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"codes": str(codes)})}
    return own_environment(tmp_path, group) | options


def test_everything_without_a_code_is_listed_with_file_and_line_before_go_live(
    environment: dict[str, str], tmp_path: Path
) -> None:
    shown = gomphosis(environment, "check-mapping")
    told = json.loads(gomphosis(environment, "check-mapping", "--json").stdout)

    assert shown.returncode == 4, shown.stderr
    assert "add to" in shown.stdout
    assert "without a restart" in shown.stdout
    found = {(one["kind"], one["table"], one["code"]): one for one in told["findings"]}
    assert set(found) == {
        ("unmapped", "charges", "INV-CAT-NEXT"),
        ("unmapped", "charges", "INV-COVER"),
        ("nothing", "charges", "INV-COVRE"),
    }
    missing = found["unmapped", "charges", "INV-CAT-NEXT"]
    assert missing["place"] == f"{tmp_path}/codes.yaml, below line 2"
    assert missing["line"] == "  INV-CAT-NEXT: '<the code of the record>'"
    assert "was INV-COVER meant?" in found["nothing", "charges", "INV-COVRE"]["words"]


def test_a_whole_mapping_ends_with_zero(environment: dict[str, str], tmp_path: Path) -> None:
    whole = CODES.replace("INV-COVRE: X-5", "INV-COVER: X-5, INV-CAT-NEXT: X-4")
    (tmp_path / "codes.yaml").write_text(whole)

    shown = gomphosis(environment, "check-mapping")

    assert shown.returncode == 0, shown.stdout + shown.stderr
    assert "Every code is mapped" in shown.stdout


def test_a_broken_file_is_told_with_field_and_line(
    environment: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "codes.yaml").write_text("charges: {}\nspeices: {}\n")

    shown = gomphosis(environment, "check-mapping")

    assert shown.returncode == 1
    assert "was species meant? (line 2)" in shown.stderr


def test_what_turned_up_since_is_known_too(environment: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    store = Store(f"sqlite:///{tmp_path}/data/gomphosis.sqlite")
    bring_to_newest(store)
    line = charge_posting(entry(code="INV-OLD")).entry
    with pytest.raises(NotMapped) as refused:
        plan_of(load_record_codes(tmp_path), "OBR-4", ["INV-NEW-ORDER"])
    with store.begin() as connection:
        handle(Work(connection, store), [message(charges(line))])
        keep(connection, [Kept(service="intake", origin="hl7", error=refused.value, body=b"")] * 2)
    store.close()

    told = json.loads(gomphosis(environment, "check-mapping", "--json").stdout)

    found = {(one["kind"], one["table"], one["code"]): one for one in told["findings"]}
    assert found["unmapped", "charges", "INV-OLD"]["count"] == 1
    seen = found["seen", "orders", "INV-NEW-ORDER"]
    assert (seen["count"], seen["weight"]) == (2, "wrong")
    assert seen["place"] == "record_codes.yaml, orders"
