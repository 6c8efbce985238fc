"""Both services as they are built, on the embedded bus: assessments in, conclusions out."""

from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from threading import Event, Thread

import pytest
import yaml
from pydantic import SecretStr
from sqlalchemy import func, select

from schemas.channels import EXCHANGE_OF, RECORDS, SUBSCRIPTIONS
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts.desk import NoteAmended, NoteSigned
from services.charges.service import build as build_charges
from services.notes.service import build as build_notes
from services.notes.store import STUDY as NOTES_STUDY
from services.runtime import triage
from services.runtime.bus import Outgoing
from services.runtime.migrate import migrate
from services.runtime.service import Runtime, open_runtime
from services.runtime.settings import Settings, StoreSettings
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view
from tests.servers.polling import wait_until

BUILD = {"charges": build_charges, "notes": build_notes}


@pytest.fixture
def runtime_of(tmp_path: Path, database_url: str) -> Iterator[Callable[[str], Runtime]]:
    """Open a service's runtime on the test's store, with the invented group's folder."""
    folder = tmp_path / "group"
    folder.mkdir()
    (folder / "group.yaml").write_text(yaml.safe_dump(GROUP.model_dump(mode="json")))
    settings = Settings(
        data_dir=tmp_path / "data",
        group_dir=folder,
        store=StoreSettings(url=SecretStr(database_url)),
    )
    opened: list[Runtime] = []

    def _open(service: str) -> Runtime:
        runtime = open_runtime(service, settings)
        migrate(runtime.store)
        runtime.bus.declare(SUBSCRIPTIONS)
        opened.append(runtime)
        return runtime

    yield _open
    for runtime in opened:
        runtime.bus.close()
        runtime.store.close()


@pytest.fixture
def running(runtime_of: Callable[[str], Runtime]) -> Iterator[Callable[[str], Runtime]]:
    """Run a service's loops and its relay until the test ends."""
    stop = Event()
    threads: list[Thread] = []

    def _run(name: str) -> Runtime:
        runtime = runtime_of(name)
        loops = [loop.run for loop in BUILD[name](runtime).loops]
        for run in (*loops, runtime.relay.run):
            threads.append(Thread(target=run, args=(stop,)))
            threads[-1].start()
        return runtime

    yield _run
    stop.set()
    for thread in threads:
        thread.join()


def _publish(runtime: Runtime, *messages: Message[Payload]) -> None:
    runtime.bus.publish(
        [
            Outgoing(EXCHANGE_OF[one.kind], one.routing_key, str(one.id), one.encode())
            for one in messages
        ]
    )


def _open_triage(runtime: Runtime) -> list[str]:
    with runtime.store.read() as connection:
        return [str(row.field) for row in triage.entries(connection)]


def _note_revision(runtime: Runtime) -> int:
    with runtime.store.read() as connection:
        return int(connection.scalar(select(func.max(NOTES_STUDY.c.revision))) or 0)


def test_an_assessment_becomes_charges_and_a_note_for_the_record(
    running: Callable[[str], Runtime],
) -> None:
    charges, _notes = running("charges"), running("notes")
    told = message(assessed(1, [image(1)], views=(view(1),), closed=True))

    _publish(charges, told, told)

    wait_until(lambda: charges.bus.depth(RECORDS.queue) == 2, 20, "charges and a note")
    assert _open_triage(charges) == []


def test_a_signature_for_other_content_lies_in_triage_and_the_line_goes_on(
    running: Callable[[str], Runtime],
) -> None:
    notes = running("notes")
    wrong = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256="0" * 64,
        signer="vet-1",
        reauthenticated_at=START,
    )
    words = NoteAmended(study_instance_uid=STUDY, section="interpretation", text="Invented.")
    _publish(notes, message(assessed(1, [image(1)], views=(view(1),))))
    wait_until(lambda: _note_revision(notes) == 1, 20, "the draft")

    _publish(notes, message(wrong, person="vet-1"), message(words, person="vet-1"))

    wait_until(lambda: _note_revision(notes) == 2, 20, "the amended draft")
    wait_until(
        lambda: _open_triage(notes) == ["payload.note_sha256"], 20, "the signature in triage"
    )


def test_charges_do_not_start_with_a_site_whose_tariff_is_not_there(
    runtime_of: Callable[[str], Runtime],
) -> None:
    runtime = runtime_of("charges")
    site = GROUP.sites[0].model_copy(update={"tariff": "lost-2026"})
    runtime.group = GROUP.model_copy(update={"sites": (site,)})

    with pytest.raises(InvalidInput) as caught:
        build_charges(runtime)

    assert caught.value.field == "sites.north.tariff"
    assert "invented-2026" in caught.value.expected


def test_charges_take_the_tariffs_of_the_groups_own_folder(
    runtime_of: Callable[[str], Runtime],
) -> None:
    runtime = runtime_of("charges")
    folder = runtime.settings.group_dir / "tariffs"
    folder.mkdir()
    packaged = (files("schemas.tariffs") / "invented_2026.yaml").read_text()
    (folder / "own.yaml").write_text(packaged.replace("invented-2026", "own-2026"))
    site = GROUP.sites[0].model_copy(update={"tariff": "own-2026"})
    runtime.group = GROUP.model_copy(update={"sites": (site,)})

    assert build_charges(runtime).name == "charges"
