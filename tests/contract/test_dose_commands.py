"""``gomphosis dose`` and ``room-protection`` on a store with two visits of one cat."""

import csv
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import typer
from typer.testing import CliRunner, Result

from schemas.facts import ReadinessChecked
from services.assessment.dose_commands import show_dose
from services.assessment.protection_commands import show_room_protection
from services.assessment.worker import AssessmentHandler
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.contract.test_assessment_worker import handle
from tests.contract.test_patient_period import visit
from tests.room_facts import GROUP, exposure, rules, told

ON_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
"""For what does not depend on the kind of store: the first test and that of loads run on both."""

PERIOD = ("--from", "2026-03-02", "--to", "2026-03-29")
POSITIONS = """
basis: invented
note: Invented.
positions:
  - {name: operator, room: dental-1, who: worker, distance_m: 2.0, angle_degrees: 110.0}
"""


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    facts = visit(1, 0.0) + visit(2, 10.0, exposures=3)
    # Of nobody: a test exposure in the same room, which loads the room and no patient.
    facts += [exposure(900, 9_000.0, reported_kerma_mgy=1.0, test_exposure=True)]
    checked = ReadinessChecked(
        study_instance_uid="2.25.1",
        anaesthetic_plane_confirmed=True,
        people_outside_beam=True,
        new_sensor_cover=True,
    )
    handle(opened, [*facts, told(checked)], AssessmentHandler(GROUP, {"north": rules()}))
    yield opened
    opened.close()


@pytest.fixture
def run(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    (tmp_path / "group.yaml").write_text(GROUP.model_dump_json(), encoding="utf-8")
    monkeypatch.setenv("GOMPHOSIS_STORE__URL", store.url.render_as_string(hide_password=False))
    monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "300")

    def call(command: Callable[..., None], *arguments: str) -> Result:
        app = typer.Typer()
        app.command()(command)
        return CliRunner().invoke(app, list(arguments))

    return call


def test_the_doses_of_a_period_are_summed_by_what_was_asked(run: Callable[..., Result]) -> None:
    result = run(show_dose, *PERIOD, "--by", "patient", "--json")
    assert result.exit_code == 0, result.output
    told_ = json.loads(result.output)
    assert [one["group"] for one in told_["groups"]] == ["all", "north P-1001"]
    assert told_["groups"][0]["total"]["kerma_mgy"] == pytest.approx(5.0)
    assert told_["groups"][0]["studies"] == 2
    kinds = told_["typical_values"]["kinds"]
    assert kinds
    assert all(kind["local_level"]["value"] is None for kind in kinds)
    assert "human dental" in result.output


@ON_SQLITE
def test_a_day_outside_of_the_period_is_not_counted(run: Callable[..., Result]) -> None:
    result = run(show_dose, "--from", "2026-03-03", "--json")
    assert json.loads(result.output)["groups"][0]["total"]["exposures"] == 3
    assert "No exposure stands in this period" in run(show_dose, "--from", "2027-01-01").output


@ON_SQLITE
def test_the_terminal_shows_sums_refusals_comparators_and_the_caution(
    run: Callable[..., Result],
) -> None:
    output = run(show_dose, "--by", "month").output
    assert "2026-03" in output
    assert "too few patients in each room" in output
    assert "Human dental comparator, not an animal limit" in output
    assert "not a dosimeter" in output


@ON_SQLITE
def test_csv_has_a_file_for_each_month_and_is_never_written_over(
    run: Callable[..., Result], tmp_path: Path
) -> None:
    out = tmp_path / "csv"
    assert run(show_dose, "--csv", str(out)).exit_code == 0
    with (out / "exposures-north-2026-03.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert len(lines) == 5
    assert {line["patient_id"] for line in lines} == {"P-1001"}
    assert sum(float(line["kerma_mgy"]) for line in lines) == pytest.approx(5.0)
    assert {line["basis"] for line in lines} == {"device"}
    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        (summary,) = csv.DictReader(file)
    assert (summary["site"], summary["month"], summary["group"]) == ("north", "2026-03", "all")
    again = run(show_dose, "--csv", str(out))
    assert again.exit_code == 1


@ON_SQLITE
def test_three_drawings_are_written(run: Callable[..., Result], tmp_path: Path) -> None:
    out = tmp_path / "svg"
    assert run(show_dose, "--svg", str(out)).exit_code == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "by-view.svg",
        "distribution.svg",
        "trend.svg",
    ]
    for path in out.iterdir():
        assert ET.parse(path).getroot().tag.endswith("svg")


def test_a_room_is_loaded_by_every_exposure_also_of_nobody(
    run: Callable[..., Result], tmp_path: Path
) -> None:
    (tmp_path / "protection").mkdir()
    (tmp_path / "protection" / "north.yaml").write_text(POSITIONS, encoding="utf-8")
    result = run(show_room_protection, *PERIOD, "--json")
    assert result.exit_code == 0, result.output
    (site,) = json.loads(result.output)["sites"]
    (tube,) = site["tubes"]
    assert tube["exposures"] == 6
    assert tube["ma_min_per_week"] == pytest.approx(6 * 7.0 * 0.12 / 60.0 / 4)
    assert site["people_checks"] == {"confirmed outside the beam": 1, "not told": 1}
    (operator,) = site["positions"]
    kap = tube["kap_mgycm2_per_week"]
    assert operator["msv_per_year"] == pytest.approx(52 * kap * 5.5 / 4.0 / 1e6)
    shown = run(show_room_protection, *PERIOD).output
    assert "The marked positions are invented" in shown
    assert "not a dosimeter; a qualified expert decides" in shown


@ON_SQLITE
def test_without_marked_positions_only_the_workload_is_told(run: Callable[..., Result]) -> None:
    shown = run(show_room_protection, *PERIOD).output
    assert "No position is marked (protection/north.yaml" in shown
    assert "mSv a year" not in shown


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--from", "2026-03-02", "--to", "2026-03-01"), 2),
        ((*PERIOD, "--site", "nowhere"), 3),
    ],
)
@ON_SQLITE
def test_a_wrong_period_or_site_is_said(
    run: Callable[..., Result], arguments: tuple[str, ...], code: int
) -> None:
    assert run(show_room_protection, *arguments).exit_code == code
    assert run(show_dose, *arguments).exit_code == code
