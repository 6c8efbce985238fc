"""What stations ask and tell beside images: worklist keys, performed steps and commitments.

Each is fed as pynetdicom hands it on: the request's own primitive with its undecoded data set.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian
from pynetdicom.dimse_primitives import C_FIND, N_ACTION, N_CREATE, N_SET
from pynetdicom.dsutils import encode

from schemas.facts import OrderPlaced
from schemas.plans import load_plans
from services.intake import commitment_store
from services.intake.accept import accept
from services.intake.commitment_rules import read_request
from services.intake.dicom_data_set import read_data_set
from services.intake.dicom_find import WorklistFinder
from services.intake.dicom_step import handle_create, handle_set
from services.intake.step_desk import StepDesk
from services.runtime.outbox import Relay
from services.runtime.store import Store
from tests import performed_steps
from tests.fuzz.dicom_shape import DataSetMutator
from tests.fuzz.dicom_targets import STATION, data_set_bytes
from tests.fuzz.new_in_triage import NewInTriage
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, Target
from tests.messages import NOON, message
from tests.newest_schema import bring_to_newest
from tests.record_inputs.codes import north

_FIND_STATUSES = frozenset({0xFF00, 0xFF01, 0xFE00, 0xC000})
_STEP_STATUSES = frozenset(
    {0x0000, 0x0105, 0x0106, 0x0110, 0x0111, 0x0112, 0x0117, 0x0120, 0x0121, 0x0124}
)


def open_store(folder: Path) -> Store:
    """Make an empty store in a folder."""
    store = Store(f"sqlite:///{folder / 'store.sqlite3'}", 5)
    bring_to_newest(store)
    return store


def _relay(store: Store) -> Relay:
    # Only woken here: nothing of the campaign is published.
    return Relay("intake", store, SimpleNamespace())


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


def _seeds(data_sets: list[Dataset]) -> tuple[list[bytes], list[bytes]]:
    """Encode seeds in explicit VR, and in implicit VR."""
    plain = [data_set_bytes(one) for one in data_sets]
    return plain, [data_set_bytes(one, ImplicitVRLittleEndian) for one in data_sets]


def _event(peer: Any, request: Any, attribute: str, body: bytes, others: list[bytes]) -> Any:
    """Make an event of a request whose data set is undecoded; now and then in implicit VR."""
    implicit = body in others or random.Random(body).random() < 0.1
    syntax = ImplicitVRLittleEndian if implicit else ExplicitVRLittleEndian
    setattr(request, attribute, BytesIO(body))
    context = SimpleNamespace(transfer_syntax=syntax)
    return SimpleNamespace(assoc=peer, is_cancelled=False, request=request, context=context)


def _find(folder: Path) -> Ready:
    store = open_store(folder)
    site = north()
    with store.begin() as connection:
        for number in range(2):  # a whole answer costs more than reading the query
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

    def feed(body: bytes) -> str:
        outcome = TAKEN
        for status, identifier in finder.find(_event(peer, C_FIND(), "Identifier", body, others)):
            if _status(status) not in _FIND_STATUSES:
                raise Broken(f"status {_status(status):04X}")
            _written(status)
            _written(identifier)
            if _status(status) == 0xC000:
                outcome = REFUSED
        return outcome

    some = Dataset()
    some.PatientID = "P-1001"
    seeds, others = _seeds([query(), some])
    return Ready([*seeds, *others], DataSetMutator(seeds, others), feed, store.close)


def _steps(
    make_seeds: Callable[[], list[Dataset]], handle: Any, *, begin: bool
) -> Callable[[Path], Ready]:
    def prepare(folder: Path) -> Ready:
        store = open_store(folder)
        site = north()
        desk = StepDesk("intake", "invented-group", store, _relay(store), closes_study=True)
        peer = SimpleNamespace(gomphosis_peer=(site, STATION))
        kept = NewInTriage(store)
        count, is_created = [0], [False]
        seeds, others = _seeds(make_seeds())
        created = data_set_bytes(performed_steps.creation())

        def create(uid: str, body: bytes) -> Any:
            request = N_CREATE()
            request.AffectedSOPInstanceUID = uid
            return _event(peer, request, "AttributeList", body, others)

        def change(uid: str, body: bytes) -> Any:
            request = N_SET()
            request.RequestedSOPInstanceUID = uid
            return _event(peer, request, "ModificationList", body, others)

        def feed(body: bytes) -> str:
            # Mostly a step of its own, so that a state of before does not decide; a refused change
            # leaves its step as it was.
            if not is_created[0] and (begin or random.Random(body).random() < 0.9):
                count[0] += 1
            uid = f"2.25.{count[0] + 1}"
            if begin and not is_created[0]:
                handle_create(create(uid, created), desk)
            answer, _ = handle(change(uid, body) if begin else create(uid, body), desk)
            is_created[0] = begin and _status(answer) != 0
            if _status(answer) not in _STEP_STATUSES:
                raise Broken(f"status {_status(answer):04X}")
            _written(answer)
            new = kept.look()
            if _status(answer) != 0 and not new:
                raise Broken(f"status {_status(answer):04X}, and nothing is in triage")
            return TAKEN if _status(answer) == 0 else REFUSED

        return Ready([*seeds, *others], DataSetMutator(seeds, others), feed, store.close)

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


def _commitment(folder: Path) -> Ready:
    store = open_store(folder)
    site = north()
    at = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
    items = []
    for number in range(3):
        item = Dataset()
        item.ReferencedSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
        item.ReferencedSOPInstanceUID = f"2.25.{number}"
        items.append(item)
    asked = Dataset()
    asked.TransactionUID, asked.ReferencedSOPSequence = "2.25.3001", items
    seeds, others = _seeds([asked])

    def feed(body: bytes) -> str:
        event = _event(None, N_ACTION(), "ActionInformation", body, others)
        request = read_request(read_data_set(event, "ActionInformation"))
        with store.begin() as connection:
            commitment_store.insert_request(connection, site.name, STATION.name, request, at, at)
        return TAKEN

    return Ready([*seeds, *others], DataSetMutator(seeds, others), feed, store.close)


TARGETS = (
    Target("find-identifier", _find),
    Target("step-create", _steps(_creations, handle_create, begin=False)),
    Target("step-change", _steps(_changes, handle_set, begin=True)),
    Target("commitment", _commitment),
)
