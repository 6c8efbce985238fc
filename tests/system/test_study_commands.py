"""What the command line says of studies: why something was concluded, and how much is rejected."""

import json
from datetime import date
from pathlib import Path

import pytest

from schemas.facts import ImageRejected, ViewExcused
from services.assessment import store as assessment_store
from services.assessment.revisions import digest_of
from services.assessment.room_day import RoomDay
from services.assessment.study import assess_room_day
from services.runtime.store import Store
from tests.command_line import gomphosis, own_environment
from tests.room_facts import STUDY, after, exposure, image, order, rules, site, told

DAY = RoomDay("north", "dental-1", date(2026, 3, 2))


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """A migrated store that holds one study: a rejected image, its retake, an excused view."""
    environment = own_environment(tmp_path)
    assert gomphosis(environment, "migrate").returncode == 0
    facts = [
        order(),
        exposure(1, 0.0, operator="tech-1"),
        image(1, 3.0, view="max-incisors"),
        exposure(2, 60.0, operator="tech-1"),
        image(2, 63.0, view="max-incisors"),
        told(
            ImageRejected(
                study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.1", reason_code="111209"
            ),
            after(30.0),
        ),
        told(
            ViewExcused(study_instance_uid=STUDY, view="mand-canine-l", reason="Woke"), after(90.0)
        ),
    ]
    study = assess_room_day(facts, site(), DAY, rules())[STUDY]
    store = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    with store.begin() as connection:
        assessment_store.write_studies(connection, [(DAY, study, digest_of(study))])
    store.close()
    return environment


def test_each_conclusion_is_shown_with_its_rule_and_the_whole_keys_of_its_facts(
    environment: dict[str, str],
) -> None:
    shown = gomphosis(environment, "study", STUDY, "--why")

    assert shown.returncode == 0, shown.stderr
    lines = shown.stdout.splitlines()
    place = lines.index("view left lower canine: excused: Woke")
    assert lines[place + 1] == "  rule: A person excused the view and said why."
    assert lines[place + 2 : place + 4] == [
        f"  fact: excused:{STUDY}:mand-canine-l:2026-03-02T09:01:30+00:00",
        "  fact: order:1001:1",
    ]
    assert "Under way: 1 of 10 views done, 1 excused, 8 to go: " in shown.stdout
    assert "repeat: rejected then retaken" in shown.stdout


def test_rates_are_told_with_interval_targets_and_no_verdict_on_few_images(
    environment: dict[str, str],
) -> None:
    shown = gomphosis(environment, "reject-rates", "--by", "operator", "--site", "north")

    assert shown.returncode == 0, shown.stderr
    assert "1 of 2: 50.0% (9.5% to 90.5%)" in shown.stdout
    assert "reason 111209: 1" in shown.stdout
    assert "not judged: fewer than 100 images" in shown.stdout
    assert "No published level for animals was found" in shown.stdout


def test_rates_are_there_for_a_script_and_a_period_bounds_them(
    environment: dict[str, str],
) -> None:
    inside = json.loads(gomphosis(environment, "reject-rates", "--json").stdout)
    outside = json.loads(
        gomphosis(environment, "reject-rates", "--json", "--from", "2026-03-03").stdout
    )

    (whole,) = inside["rates"]
    assert (whole["rejects"]["count"], whole["rejects"]["images"]) == (1, 2)
    assert set(whole["verdicts"].values()) == {"too_few"}
    assert outside["rates"][0]["rejects"]["images"] == 0


def test_a_wrong_day_is_refused_with_the_form_that_is_wanted(environment: dict[str, str]) -> None:
    refused = gomphosis(environment, "reject-rates", "--from", "yesterday")

    assert refused.returncode == 2
    assert "%Y-%m-%d" in refused.stderr
