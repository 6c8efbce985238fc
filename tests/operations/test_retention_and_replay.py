"""What is let go of after the group's own years, what stays, and that what stays replays alike."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from sqlalchemy import func, insert, select

from schemas.envelope import Message, Payload
from services.assessment import store as assessment_store
from services.assessment.dose_ledger import DOSE
from services.assessment.replay import Replayed, replay
from services.assessment.worker import AssessmentHandler
from services.intake.store import FACT, IMAGE
from services.runtime import deeds
from services.runtime.migrate import migrate
from services.runtime.operations.retention import Counted, cutoff, purge
from services.runtime.settings import RetentionSettings, Settings
from services.runtime.store import Store
from services.runtime.tables import TRIAGE
from services.runtime.worker import Work
from tests.room_facts import GROUP, OTHER_STUDY, RULES, START, STUDY, exposure, image, order

YEARS = 10
OLD_DAY, NEW_DAY = START.date(), date(START.year + 3, START.month, START.day)
TODAY = date(START.year + YEARS + 1, 1, 1)
"""More than ten years after the old study, less after the new one."""


ONE_DATABASE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def settings(folder: Path, **years: int) -> Settings:
    return Settings(data_dir=folder, retention=RetentionSettings(**years))


def moved(message: Message[Payload], by: timedelta) -> Message[Payload]:
    """Tell the same of another day."""
    told = message.payload.model_dump()
    for name in ("acquired_at", "scheduled_at"):
        if told.get(name) is not None:
            told[name] = told[name] + by
    payload = type(message.payload).model_validate(told)
    return replace(message, occurred_at=message.occurred_at + by, payload=payload)


def facts(study: str, first: int, by: timedelta) -> list[Message[Payload]]:
    one = [
        order(study),
        exposure(first, 0),
        image(first, 2, study),
        exposure(first + 1, 60),
        image(first + 1, 62, study),
    ]
    return [moved(message, by) for message in one]


def handler() -> AssessmentHandler:
    return AssessmentHandler(GROUP, {"north": RULES})


def assess(store: Store, messages: Sequence[Message[Payload]]) -> None:
    with store.begin() as connection:
        handler()(Work(connection, store), messages)


def keep_at_intake(store: Store, messages: Sequence[Message[Payload]], folder: Path) -> None:
    """Write rows and files as intake does; its own tests hold how it does."""
    with store.begin() as connection:
        for one in messages:
            uid = getattr(one.payload, "study_instance_uid", None)
            row = {
                "site": one.site,
                "natural_key": one.natural_key,
                "id": str(one.id),
                "kind": one.kind,
                "occurred_at": one.occurred_at,
                "received_at": one.received_at,
                "study_instance_uid": uid,
                "body": one.encode(),
            }
            connection.execute(insert(FACT).values(row))
            if one.kind == "image_stored":
                told: Any = one.payload
                names = ("sop_instance_uid", "sha256", "path")
                row = {name: getattr(told, name) for name in names} | {"copy": 0}
                connection.execute(insert(IMAGE).values(row))
                path = folder / "images" / told.path
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(b"DICM")


@pytest.fixture
def two_studies(store: Store, tmp_path: Path) -> Store:
    """One study of the old day and one three years later."""
    old = facts(STUDY, 1, timedelta(0))
    new = facts(OTHER_STUDY, 3, NEW_DAY - OLD_DAY)
    for messages in (old, new):
        assess(store, messages)
        keep_at_intake(store, messages, tmp_path)
    return store


def rows(found: list[Counted]) -> dict[tuple[str, str], int]:
    return {(one.kind, one.table): one.rows for one in found if one.rows}


def studies(store: Store) -> set[str]:
    with store.read() as connection:
        return set(connection.scalars(select(assessment_store.STUDY.c.study_instance_uid)))


def left(store: Store, table: Any) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(table)) or 0)


def again(store: Store, folder: Path, name: str, day: date) -> list[Replayed]:
    fresh = Store(f"sqlite:///{folder / name}")
    migrate(fresh)
    found = replay(store, fresh, handler(), day, day + timedelta(days=30), 365)
    fresh.close()
    return found


@ONE_DATABASE
def test_by_default_nothing_is_ever_old(two_studies: Store, tmp_path: Path) -> None:
    assert purge(two_studies, settings(tmp_path), date(2999, 1, 1), images=True) == []


def test_a_dry_run_counts_what_a_purge_then_lets_go_of_and_changes_nothing(
    two_studies: Store, tmp_path: Path
) -> None:
    chosen = settings(tmp_path, facts_years=YEARS)
    before = left(two_studies, FACT)

    counted = purge(two_studies, chosen, TODAY)
    assert left(two_studies, FACT) == before
    gone = purge(two_studies, chosen, TODAY, delete_by="admin-1")

    # The old study's order and exposures at intake; its images' facts stay, as their files do.
    assert rows(counted)["facts", "intake_fact"] == 3
    assert rows(gone)["facts", "intake_fact"] == 3
    assert rows(gone)["facts", "assessment_study"] == 1
    assert studies(two_studies) == {OTHER_STUDY}
    assert left(two_studies, DOSE) == 2, "a patient's sum reaches back"
    assert len(list((tmp_path / "images").rglob("*.dcm"))) == 4


def test_images_go_only_where_that_is_asked_for_by_name(two_studies: Store, tmp_path: Path) -> None:
    chosen = settings(tmp_path, images_years=YEARS)

    assert purge(two_studies, chosen, TODAY, delete_by="admin-1") == []
    gone = purge(two_studies, chosen, TODAY, images=True, delete_by="admin-1")

    assert sum(one.files for one in gone) == 2
    assert rows(gone) == {("images", "intake_image"): 2, ("images", "intake_fact"): 2}
    names = {path.name for path in (tmp_path / "images").rglob("*.dcm")}
    assert names == {f"{OTHER_STUDY}.3.dcm", f"{OTHER_STUDY}.4.dcm"}
    assert left(two_studies, IMAGE) == 2


@ONE_DATABASE
def test_what_went_is_in_the_audit_with_who_and_how_much(
    two_studies: Store, tmp_path: Path
) -> None:
    chosen = settings(tmp_path, facts_years=YEARS)

    purge(two_studies, chosen, TODAY, delete_by="admin-1")

    with two_studies.read() as connection:
        told = {row.what: row for row in deeds.entries(connection)}
    one = told["purge facts: intake_fact"]
    assert (one.person, one.service) == ("admin-1", "operations")
    assert one.about == f"3 rows and 0 files older than {cutoff(YEARS, TODAY):%Y-%m-%d}"


@ONE_DATABASE
def test_open_triage_stays_however_old(store: Store, tmp_path: Path) -> None:
    long_ago = datetime(2001, 1, 1, tzinfo=UTC)
    row = {
        "service": "intake",
        "origin": "bus",
        "field": "kind",
        "value": "x",
        "expected": "y",
        "attempts": 1,
        "body": b"",
        "kept_at": long_ago,
    }
    with store.begin() as connection:
        for state, settled in (("open", None), ("discarded", long_ago)):
            values = row | {"state": state, "settled_at": settled}
            connection.execute(insert(TRIAGE).values(values))

    purge(store, settings(tmp_path, triage_years=2), TODAY, delete_by="admin-1")

    with store.read() as connection:
        assert list(connection.scalars(select(TRIAGE.c.state))) == ["open"]


def test_pages_may_not_forget_a_study_before_its_facts_do() -> None:
    with pytest.raises(ValidationError, match="expected facts_years"):
        RetentionSettings(console_years=5, facts_years=7)


def test_a_replay_gives_every_assessment_of_the_period_again(
    two_studies: Store, tmp_path: Path
) -> None:
    found = again(two_studies, tmp_path, "fresh.sqlite", OLD_DAY)

    assert [(one.study_instance_uid, one.same) for one in found] == [(STUDY, True)]


@ONE_DATABASE
def test_what_a_purge_has_left_replays_as_before(two_studies: Store, tmp_path: Path) -> None:
    before = again(two_studies, tmp_path, "before.sqlite", NEW_DAY)

    purge(two_studies, settings(tmp_path, facts_years=YEARS), TODAY, delete_by="admin-1")
    after = again(two_studies, tmp_path, "after.sqlite", NEW_DAY)

    assert after == before
    assert [one.same for one in after] == [True]


@ONE_DATABASE
def test_a_replay_with_a_fact_that_was_changed_by_hand_says_so(
    two_studies: Store, tmp_path: Path
) -> None:
    kept = assessment_store.FACT
    with two_studies.begin() as connection:
        query = select(kept.c.natural_key, kept.c.body).where(kept.c.kind == "exposure_ended")
        key, body = connection.execute(query.order_by(kept.c.moment)).first() or ("", b"")
        told = json.loads(bytes(body))
        told["payload"]["tube_kv"] = 60.0
        changed = kept.update().where(kept.c.natural_key == key)
        connection.execute(changed.values(body=json.dumps(told).encode()))

    found = again(two_studies, tmp_path, "fresh.sqlite", OLD_DAY)

    assert [one.same for one in found] == [False]
