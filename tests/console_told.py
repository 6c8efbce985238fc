"""What the console hears of an invented day, and its read model as plain rows."""

import json
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import delete, select

from schemas.conclusions import (
    BooksReconciled,
    ChargeLine,
    ChargesAssessed,
    ChargesCorrected,
    ClockStand,
    CodesMissing,
    DayReconciled,
    EntryType,
    ExceptionFound,
    ExposureUse,
    ImageUse,
    LedgerEntry,
    LooseExposure,
    NoteSection,
    NoteState,
    NoteUnsigned,
    NoteWritten,
    Question,
    RoomDayAssessed,
    StudyAssessed,
    ViewStatus,
)
from schemas.conclusions.reconciled import Status
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import (
    ClockRead,
    ExposureEnded,
    ImageStored,
    PostingAnswered,
    PostingOutcome,
    ReadinessChecked,
)
from services.console import tables
from services.console.charges import tables as charge_tables
from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY
from services.console.worker import ConsoleHandler
from services.runtime.store import Store
from services.runtime.tables import METADATA
from services.runtime.worker import Work
from tests.assessed import GROUP, START, STUDY, assessed, exposure, image, view

OTHER = "2.25.3001"
DAY = date(2026, 3, 2)
HANDLER = ConsoleHandler(GROUP)


def told(
    payload: Payload, *, minute: int = 0, by: str = "assessment", kind: str = "service"
) -> Message[Payload]:
    """Wrap a payload as told ``minute`` minutes after the day's start."""
    at = START + timedelta(minutes=minute)
    return Message(
        id=new_id(),
        group="example-group",
        site="north",
        occurred_at=at,
        received_at=at + timedelta(seconds=1),
        source=Source.model_validate({"kind": kind, "name": by}),
        correlation_id="chain-1",
        payload=payload,
    )


def study(revision: int, study_instance_uid: str = STUDY, **values: Any) -> StudyAssessed:
    """Make a study that has one image more with each revision, the first of which is rejected."""
    images = [
        image(
            n,
            ImageUse.REJECTED if n == 1 and revision > 1 else ImageUse.VIEW,
            view=f"view-{n}",
            exposure_key=f"exposure:INVENTED-0001:{n}",
            words="rejected: reason 111209" if n == 1 and revision > 1 else "shows it",
        )
        for n in range(1, revision + 1)
    ]
    exposures = tuple(
        exposure(n, sop_instance_uid=f"2.25.2{n:03d}", operator="tech-1", kerma_mgy=0.8 * n)
        for n in range(1, revision + 1)
    )
    given: dict[str, Any] = {
        "study_instance_uid": study_instance_uid,
        "views": (*(view(n) for n in range(1, revision + 1)), view(9, ViewStatus.MISSING)),
        "exposures": (*exposures, exposure(8, ExposureUse.ENDED_EARLY, generator="generator-1")),
        "questions": (Question(code="image-without-view", words="Which view is this image?"),),
        "facts": ("order:1001:1",),
    }
    return assessed(revision, images, **(given | values))


def charges(revision: int, study_instance_uid: str = STUDY, *, due: bool = True) -> ChargesAssessed:
    """Make a bill with as many lines, of 38.00 each, as its revision."""
    entries = tuple(
        LedgerEntry(
            posting_key=f"charge:{study_instance_uid}:{n}",
            type=EntryType.CHARGE,
            patient_id="P-1001",
            code="INV-IO",
            description="Intraoral view (invented)",
            quantity=1,
            amount=Decimal("38.00"),
            service_day=DAY,
            reason="a diagnostic view",
            images=(f"2.25.2{n:03d}",),
        )
        for n in range(1, revision + 1)
    )
    lines = tuple(
        ChargeLine(
            code=one.code,
            description=one.description,
            quantity=1,
            unit_amount=one.amount,
            amount=one.amount,
            reason=one.reason,
            images=one.images,
        )
        for one in entries
    )
    return ChargesAssessed(
        revision=revision,
        assessment_revision=revision,
        study_instance_uid=study_instance_uid,
        patient_id="P-1001",
        tariff="invented-2026",
        currency="EUR",
        lines=lines,
        total=38 * Decimal(f"{revision}.00"),
        due=due,
        ledger=entries if due else (),
    )


def note(revision: int, study_instance_uid: str = STUDY, **values: Any) -> NoteWritten:
    given: dict[str, Any] = {
        "revision": revision,
        "assessment_revision": revision,
        "study_instance_uid": study_instance_uid,
        "patient_id": "P-1001",
        "state": NoteState.DRAFT,
        "due": True,
        "sections": (NoteSection(section="views", title="Views", text=f"{revision} of 4"),),
        "content_sha256": f"{revision:064d}",
        "text": "invented",
        "html": "<p>invented</p>",
    }
    return NoteWritten(**(given | values))


def answered(
    key: str, outcome: PostingOutcome, minute: int, study_instance_uid: str = STUDY
) -> Message[Payload]:
    payload = PostingAnswered(
        posting_key=key,
        study_instance_uid=study_instance_uid,
        outcome=outcome,
        words="Account closed (invented)" if outcome is PostingOutcome.REJECTED else None,
    )
    return told(payload, minute=minute, by="record-north", kind="record")


def exposure_told(number: int, **values: Any) -> Message[Payload]:
    given = ExposureEnded.EXAMPLES[0] | {"exposure_counter": number} | values
    return told(
        ExposureEnded.model_validate_json(_json(given)),
        minute=number,
        by="generator-1",
        kind="device",
    )


def image_told(number: int, **values: Any) -> Message[Payload]:
    given = ImageStored.EXAMPLES[0] | {"sop_instance_uid": f"2.25.2{number:03d}"} | values
    return told(
        ImageStored.model_validate_json(_json(given)), minute=number, by="station-1", kind="device"
    )


def room_day(revision: int, loose: int = 1) -> RoomDayAssessed:
    one = LooseExposure.model_validate_json(_json(LooseExposure.EXAMPLES[0]))
    stand = ClockStand.model_validate_json(_json(ClockStand.EXAMPLES[0]))
    return RoomDayAssessed(
        revision=revision, room="dental-1", day=DAY, exposures=(one,) * loose, clocks=(stand,)
    )


def a_day() -> list[Message[Payload]]:
    """Everything of an invented day, in the order in which it happened."""
    ready = ReadinessChecked.model_validate_json(_json(ReadinessChecked.EXAMPLES[0]))
    late = DAY + timedelta(days=1)
    missing = codes_missing("charge:2.25.1001:3")
    unsigned = NoteUnsigned.model_validate_json(_json(NoteUnsigned.EXAMPLES[0]))
    corrected = ChargesCorrected.model_validate_json(_json(ChargesCorrected.EXAMPLES[0]))
    return [
        told(ready, by="tech-1", kind="person"),
        exposure_told(1),
        image_told(1),
        told(study(1), minute=2),
        told(study(1, OTHER, day=late, room=None), minute=2),
        told(room_day(1, loose=2), minute=3),
        exposure_told(2),
        told(study(2), minute=4),
        told(charges(1, due=False), minute=5),
        told(note(1), minute=5),
        told(clock_read(12.5), minute=6, by="generator-1", kind="device"),
        told(clock_read(13.5, minute=7), minute=7, by="generator-1", kind="device"),
        told(study(3, closed=True), minute=8),
        told(study(2, OTHER, day=DAY, training=True), minute=8),
        told(charges(3), minute=9),
        told(charges(1, OTHER), minute=9),
        told(note(2), minute=9),
        answered("charge:2.25.1001:1", PostingOutcome.REJECTED, 10),
        answered("charge:2.25.1001:2", PostingOutcome.ACCEPTED, 10),
        answered("note:2.25.1001:2", PostingOutcome.REJECTED, 10),
        told(missing, minute=9),
        told(missing, minute=15),
        told(codes_missing("charge:2.25.1001:1"), minute=12),
        answered("charge:2.25.1001:1", PostingOutcome.ACCEPTED, 20),
        told(reconciled(1), minute=16, by="charges"),
        told(reconciled(2, Status.ACCEPTED), minute=45, by="charges"),
        told(unsigned, minute=30),
        told(room_day(2), minute=31),
        told(corrected, minute=40),
        told(note(3, state=NoteState.SIGNED, signer="vet-1", signed_at=START), minute=50),
    ]


def reconciled(
    revision: int, status: Status = Status.OPEN, day: date = DAY, **values: Any
) -> DayReconciled:
    """Make a day with one double of 38.00."""
    example = DayReconciled.EXAMPLES[0] | {"revision": revision, "day": day.isoformat()}
    found = ExceptionFound.EXAMPLES[0] | {"status": status.value} | values
    books = BooksReconciled.EXAMPLES[0] | {"exceptions": [found]}
    return DayReconciled.model_validate_json(_json(example | {"books": [books]}))


def codes_missing(key: str) -> CodesMissing:
    example = CodesMissing.EXAMPLES[0] | {"posting_key": key}
    return CodesMissing.model_validate_json(_json(example))


def clock_read(ahead_s: float, minute: int = 6) -> ClockRead:
    at = START + timedelta(minutes=minute, seconds=ahead_s)
    return ClockRead(device="generator-1", device_time=at)


def hear(store: Store, messages: Sequence[Message[Payload]]) -> None:
    """Do what the runtime's worker does with a batch: one transaction."""
    with store.begin() as connection:
        work = Work(connection, store)
        HANDLER(work, messages)
        work.flush("console")


def rows_of(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Give every row of the read model."""
    with store.read() as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for table in _own_tables()
        }


def empty(store: Store) -> None:
    """Take everything out of the read model."""
    with store.begin() as connection:
        for table in _own_tables():
            connection.execute(delete(table))


def _own_tables() -> Iterable[Any]:
    own = {
        id(value)
        for value in (
            *vars(tables).values(),
            charge_tables.CHARGE_DAY,
            charge_tables.CHARGE_MONTH,
            charge_tables.CHARGE_EXCEPTION,
            FIGURES_SITE,
            FIGURES_SITE_DAY,
        )
    }
    return [table for table in METADATA.sorted_tables if id(table) in own]


def _json(example: Any) -> str:
    return json.dumps(example)
