"""The service as it is built, on the embedded bus: facts in, assessments out to their hearers."""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from threading import Event, Thread

import pytest
import yaml
from pydantic import SecretStr

from schemas.channels import ASSESSMENT, CHARGES, NOTES, SUBSCRIPTIONS
from schemas.errors import InvalidInput
from schemas.facts import StudyClosed
from services.assessment.service import build
from services.runtime import triage
from services.runtime.bus import Outgoing
from services.runtime.service import Runtime, open_runtime
from services.runtime.settings import Settings, StoreSettings
from tests.newest_schema import bring_to_newest
from tests.room_facts import GROUP, STUDY, exposure, image, order, told
from tests.servers.polling import wait_until


@pytest.fixture
def runtime(tmp_path: Path, database_url: str) -> Iterator[Runtime]:
    """Open the service's runtime on the test's store, with the invented group's folder."""
    folder = tmp_path / "group"
    folder.mkdir()
    (folder / "group.yaml").write_text(yaml.safe_dump(GROUP.model_dump(mode="json")))
    settings = Settings(
        data_dir=tmp_path / "data",
        group_dir=folder,
        store=StoreSettings(url=SecretStr(database_url)),
    )
    opened = open_runtime("assessment", settings)
    bring_to_newest(opened.store)
    opened.bus.declare(SUBSCRIPTIONS)
    yield opened
    opened.bus.close()
    opened.store.close()


def test_facts_on_the_bus_become_assessments_for_charges_and_notes(runtime: Runtime) -> None:
    facts = [order(), exposure(1, 0.0), image(1, 3.0), told(StudyClosed(study_instance_uid=STUDY))]
    service = build(runtime)
    stop = Event()
    runs = [*(loop.run for loop in service.loops), runtime.relay.run]
    threads = [Thread(target=run, args=(stop,)) for run in runs]
    runtime.bus.publish(
        [Outgoing(ASSESSMENT.kinds[0][0], f.routing_key, str(f.id), f.encode()) for f in facts]
    )
    for thread in threads:
        thread.start()
    try:
        wait_until(lambda: runtime.bus.depth(CHARGES.queue) > 0, 20, "an assessment for charges")
        wait_until(lambda: runtime.bus.depth(NOTES.queue) > 0, 20, "an assessment for notes")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    with runtime.store.read() as connection:
        assert triage.entries(connection) == []


def test_the_service_does_not_start_with_limits_that_are_not_there(runtime: Runtime) -> None:
    site = GROUP.sites[0].model_copy(update={"limits": "lost-limits"})
    runtime.group = GROUP.model_copy(update={"sites": (site,)})
    with pytest.raises(InvalidInput, match=r"lost-limits\.yaml"):
        build(runtime)


def test_the_groups_own_limits_and_plans_are_taken(runtime: Runtime) -> None:
    for folder, packaged in (
        ("limits", files("schemas.limits") / "group_default.yaml"),
        ("plans", files("schemas.plans") / "cat_full_mouth.yaml"),
    ):
        (runtime.settings.group_dir / folder).mkdir()
        target = runtime.settings.group_dir / folder / "own.yaml"
        target.write_text(packaged.read_text())
    site = GROUP.sites[0].model_copy(update={"limits": "own"})
    runtime.group = GROUP.model_copy(update={"sites": (site,)})
    assert build(runtime).name == "assessment"
