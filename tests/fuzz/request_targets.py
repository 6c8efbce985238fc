"""What stations ask and tell beside images: worklist keys and performed steps."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pydicom.dataset import Dataset
from pynetdicom.dsutils import decode, encode

from schemas.facts import OrderPlaced
from schemas.plans import load_plans
from services.intake.accept import accept
from services.intake.dicom_find import WorklistFinder
from services.intake.dicom_step import handle_create, handle_set
from services.intake.step_desk import StepDesk
from services.runtime import triage
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from tests import performed_steps
from tests.fuzz.dicom_shape import DataSetMutator
from tests.fuzz.dicom_targets import STATION, data_set_bytes
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, Target
from tests.messages import NOON, message
from tests.record_inputs.codes import north

_FIND_STATUSES = frozenset({0xFF00, 0xFF01, 0xFE00, 0xC000})
_STEP_STATUSES = frozenset(
    {0x0000, 0x0105, 0x0106, 0x0110, 0x0111, 0x0112, 0x0117, 0x0120, 0x0121, 0x0124}
)


def open_store(folder: Path) -> Store:
    """Make an empty store in a folder."""
    store = Store(f"sqlite:///{folder / 'store.sqlite3'}", 5)
    migrate(store)
    return store


def _relay(store: Store) -> Relay:
    # Only woken here: nothing of the campaign is published.
    return Relay("intake", store, SimpleNamespace())  # type: ignore[arg-type]


def _status(answer: Any) -> int:
    return int(answer.Status if isinstance(answer, Dataset) else answer)


def _written(answer: Any) -> None:
    """An answer that cannot be written would end its association."""
    if isinstance(answer, Dataset) and encode(answer, False, True) is None:
        raise Broken(f"an answer cannot be written: {list(answer.keys())}")


def query() -> Dataset:
    """An invented worklist query."""
    step = Dataset()
    step.ScheduledStationAETitle = "STATION1"
    step.ScheduledProcedureStepStartDate = "20260301-20260303"
    step.ScheduledProcedureStepStartTime = "0800-180000"
    step.Modality = "IO"
    step.ScheduledProcedureStepID = ""
    step.ScheduledProtocolCodeSequence = []
    keys = Dataset()
    keys.SpecificCharacterSet = "ISO_IR 100"
    keys.PatientName = "Inv*"
    keys.PatientID = ""
    keys.AccessionNumber = ""
    keys.RequestedProcedureID = ""
    keys.StudyInstanceUID = ""
    keys.PatientBirthDate = ""
    keys.PatientSpeciesCodeSequence = []
    keys.ScheduledProcedureStepSequence = [step]
    return keys


def _find(folder: Path) -> Ready:
    store = open_store(folder)
    site = north()
    with store.begin() as connection:
        for number in range(3):
            example = OrderPlaced.EXAMPLES[0] | {
                "order_id": f"{number}",
                "study_instance_uid": f"2.25.{number}",
                "accession_number": f"A{number}",
            }
            order = OrderPlaced.model_validate_json(json.dumps(example))
            accept(connection, "intake", [message(order, occurred_at=NOON)])
    finder = WorklistFinder(store, load_plans(None))
    queue = SimpleNamespace(empty=lambda: True)
    peer = SimpleNamespace(
        gomphosis_peer=(site, STATION),
        is_established=True,
        dul=SimpleNamespace(to_provider_queue=queue),
    )

    class Event:
        def __init__(self, body: bytes) -> None:
            self.assoc, self.is_cancelled, self._body = peer, False, body

        @property
        def identifier(self) -> Dataset:
            keys: Dataset = decode(BytesIO(self._body), False, True)
            return keys

    def feed(body: bytes) -> str:
        outcome = TAKEN
        for status, identifier in finder.find(Event(body)):
            if _status(status) not in _FIND_STATUSES:
                raise Broken(f"status {_status(status):04X}")
            _written(status)
            _written(identifier)
            if _status(status) == 0xC000:
                outcome = REFUSED
        return outcome

    some = Dataset()
    some.PatientID = "P-1001"
    seeds = [data_set_bytes(one) for one in (query(), some)]
    return Ready(seeds, DataSetMutator(seeds), feed, store.close)


def _steps(
    make_seeds: Callable[[], list[Dataset]], handle: Any, attribute: str, *, begin: bool
) -> Callable[[Path], Ready]:
    def prepare(folder: Path) -> Ready:
        store = open_store(folder)
        site = north()
        desk = StepDesk("intake", "invented-group", store, _relay(store), closes_study=True)
        peer = SimpleNamespace(gomphosis_peer=(site, STATION))
        count = [0]

        def event(name: str, uid: str, data_set: Callable[[], Dataset]) -> Any:
            request = SimpleNamespace(AffectedSOPInstanceUID=uid, RequestedSOPInstanceUID=uid)

            class Event:
                assoc = peer

            Event.request = request  # type: ignore[attr-defined]
            setattr(Event, name, property(lambda _: data_set()))
            return Event()

        def feed(body: bytes) -> str:
            # Mostly a step of its own, so that a state of before does not decide.
            if begin or random.Random(body).random() < 0.9:
                count[0] += 1
            uid = f"2.25.{count[0] + 1}"
            if begin:
                handle_create(event("attribute_list", uid, performed_steps.creation), desk)
            told = event(attribute, uid, lambda: decode(BytesIO(body), False, True))
            answer, _ = handle(told, desk)
            if _status(answer) not in _STEP_STATUSES:
                raise Broken(f"status {_status(answer):04X}")
            _written(answer)
            return TAKEN if _status(answer) == 0 else REFUSED

        def end() -> None:
            with store.read() as connection:
                for entry in triage.entries(connection, None, 1_000):
                    if not (entry.field and entry.expected):
                        raise Broken(f"triage {entry.id} lacks field or expectation")
            store.close()

        seeds = [data_set_bytes(one) for one in make_seeds()]
        return Ready(seeds, DataSetMutator(seeds), feed, end)

    return prepare


def _creations() -> list[Dataset]:
    more = performed_steps.creation(
        ExposureDoseSequence=[performed_steps.exposure(), performed_steps.exposure(KVP="70")],
        TotalNumberOfExposures=2,
        TimezoneOffsetFromUTC="+0100",
    )
    return [performed_steps.creation(), more]


def _changes() -> list[Dataset]:
    exposure = performed_steps.exposure()
    one = performed_steps.completion(
        ExposureDoseSequence=[exposure], DistanceSourceToEntrance="200"
    )
    return [performed_steps.completion(), one, performed_steps.discontinuation()]


TARGETS = (
    Target("find-identifier", _find),
    Target("step-create", _steps(_creations, handle_create, "attribute_list", begin=False)),
    Target("step-change", _steps(_changes, handle_set, "modification_list", begin=True)),
)
