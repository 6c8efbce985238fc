"""The whole line on real protocols: an invented day, the same summary whatever carries it."""

import random
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

import pytest

from demo.hospital import Hospital, running_hospital
from demo.run import Outcome, RunOfTheDay
from demo.story import load_day
from demo.summary import summary
from schemas.conclusions import ExposureUse, ImageUse, StudyState
from tests.servers.rabbitmq import Broker

pytestmark = pytest.mark.timeout(300)

_FILED = Path("filed")


def _quiet(_words: str) -> None:
    """Say nothing: the test looks at what came of the day."""


def _play(hospital: Hospital) -> list[Outcome]:
    return RunOfTheDay(load_day(), hospital, _quiet).run()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> list[Outcome]:
    """The day on the embedded bus and SQLite, with nothing going wrong but what is planned."""
    with running_hospital(tmp_path_factory.mktemp("day")) as hospital:
        return _play(hospital)


def _text(outcomes: list[Outcome]) -> str:
    return summary(load_day(), outcomes, _FILED)


def test_every_exposure_finds_its_image_though_the_clocks_are_minutes_apart(
    undisturbed: list[Outcome],
) -> None:
    for outcome in undisturbed:
        uses = [exposure.use for exposure in outcome.assessed.exposures]
        assert set(uses) <= {ExposureUse.IMAGE, ExposureUse.ENDED_EARLY}
        linked = {exposure.sop_instance_uid for exposure in outcome.assessed.exposures}
        assert {image.sop_instance_uid for image in outcome.assessed.images} <= linked


def test_each_study_ends_as_its_story_goes(undisturbed: list[Outcome]) -> None:
    by_name = {outcome.visit.patient.name: outcome.assessed for outcome in undisturbed}

    assert by_name["Pepper"].state is StudyState.COMPLETE
    assert by_name["Miso"].state is StudyState.COMPLETE, "its late image counts"
    assert by_name["Boulder"].state is StudyState.INCOMPLETE
    assert by_name["Boulder"].suggested_views == ("max-molars-l",)
    assert by_name["Juniper"].state is StudyState.COMPLETE, "a person assigned the view"


def test_every_diagnostic_view_is_charged_once_and_no_other(undisturbed: list[Outcome]) -> None:
    for outcome in undisturbed:
        charged = [
            image
            for entry in outcome.charges
            if entry["type"] == "charge" and entry["code"] != "INV-COVER"
            for image in entry["images"]
        ]
        diagnostic = [
            image.sop_instance_uid
            for image in outcome.assessed.images
            if image.use is ImageUse.VIEW
        ]
        assert sorted(charged) == sorted(diagnostic)


def test_what_was_signed_is_signed_and_the_rest_is_a_draft(undisturbed: list[Outcome]) -> None:
    for outcome in undisturbed:
        assert outcome.note["state"] == ("signed" if outcome.visit.sign else "draft")


@pytest.mark.drill
def test_a_second_run_gives_the_same_result(undisturbed: list[Outcome], tmp_path: Path) -> None:
    with running_hospital(tmp_path) as hospital:
        assert _text(_play(hospital)) == _text(undisturbed)


def test_rabbitmq_and_postgresql_give_the_same_result(
    undisturbed: list[Outcome],
    tmp_path: Path,
    rabbitmq: Broker,
    request: pytest.FixtureRequest,
) -> None:
    database = request.getfixturevalue("postgresql").create_database()
    group = {
        "GOMPHOSIS_BUS__URL": rabbitmq.create_vhost(),
        "GOMPHOSIS_STORE__URL": database,
    }
    with running_hospital(tmp_path, **group) as hospital:
        assert _text(_play(hospital)) == _text(undisturbed)


@contextmanager
def _killing_services(hospital: Hospital, seed: int, killed: list[str]) -> Iterator[None]:
    """Kill -9 every service but the door, each twice, at random moments of the day."""
    rng = random.Random(seed)
    victims = ["assessment", "charges", "notes", "records"] * 2
    rng.shuffle(victims)
    stop = Event()

    def kill_each() -> None:
        for victim in victims:
            pattern = f"start {victim} --health-port"
            kill = ["pkill", f"-{signal.SIGKILL.value}", "-P", str(hospital.pid), "-f", pattern]
            while not stop.wait(rng.uniform(1.0, 3.0)):
                if subprocess.run(kill, check=False).returncode == 0:
                    killed.append(victim)
                    break

    thread = Thread(target=kill_each)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@pytest.mark.drill
def test_killing_services_all_day_changes_nothing(
    undisturbed: list[Outcome], tmp_path: Path
) -> None:
    killed: list[str] = []
    with running_hospital(tmp_path) as hospital, _killing_services(hospital, 7, killed):
        outcomes = _play(hospital)

    assert len(killed) >= 4, "the test has to kill something"
    assert _text(outcomes) == _text(undisturbed)
