"""Postings whose codes the group's file lacks wait before they leave, and a person is told once.

Nothing is asked of the record for them and they are no failure of it. A patient's later postings
wait behind, as ever; all others go on.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

import structlog

from schemas.conclusions.unmapped import CodesMissing, MissingCode
from schemas.envelope import Message, Source, new_id
from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_code import Table
from services.records import store
from services.records.answers import fit
from services.records.codes_file import CodesFile
from services.records.port import PatientRecord
from services.records.postings import posting_of
from services.records.store import PostingRow
from services.records.unmapped import Needed, lacking
from services.runtime.store import Store
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

LOOK_AGAIN_S = 30.0
"""How long a posting waits before the file is looked at again; invented."""

_MOST_NAMED = 10
_SERVICE = "records"
_YAML_WORDS = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false", "null"})
"""What YAML takes for something else than text, unless it is quoted."""


def mapped_only(
    store_: Store, record: PatientRecord, rows: Sequence[PostingRow], now: datetime
) -> list[PostingRow]:
    """Give those that the record has codes for; put the others off and tell each as a task."""
    file = record.codes_file()
    if file is None or file.path is None or not rows:
        return list(rows)
    codes = file.now()
    lacks = {row.posting_key: lacking_of(row, codes) for row in rows}
    held = [row for row in rows if lacks[row.posting_key]]
    if held:
        with store_.begin() as connection:
            work = Work(connection, store_)
            for row in held:
                _hold(work, row, lacks[row.posting_key], file, now)
            work.flush(_SERVICE)
    return [row for row in rows if not lacks[row.posting_key]]


def lacking_of(row: PostingRow, codes: PostedCodes) -> Sequence[Needed]:
    """Name the codes that a stored posting has to wait for; none of one that cannot be read."""
    try:
        return lacking(posting_of(row), codes)
    except Exception:
        # A defect in one posting is the poster's to tell: it must not stop the other patients'.
        log.exception("codes_of_posting_not_read", posting_key=row.posting_key)
        return ()


def _hold(
    work: Work, row: PostingRow, needed: Sequence[Needed], file: CodesFile, now: datetime
) -> None:
    words = fit(f"no code of the record for {names_of(needed)}")
    again = now + timedelta(seconds=LOOK_AGAIN_S)
    store.put_off(work.connection, row.posting_key, row.attempts, again, words)
    if row.words == words:
        return
    task = _task(row, needed, file, words)
    log.warning("posting_waits_for_codes", posting_key=row.posting_key, reason=words)
    work.emit(
        Message(
            id=new_id(),
            group=row.group_name,
            site=row.site,
            occurred_at=now,
            received_at=now,
            source=Source(kind="service", name=_SERVICE),
            correlation_id=row.correlation_id,
            payload=task,
        )
    )


def names_of(needed: Iterable[Needed]) -> str:
    """Name codes as ``table.code``, the first ten of them."""
    names = [f"{one.table}.{one.ours}" for one in needed]
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more


def line_for(needed: Needed) -> str:
    """Write the line that a person completes and adds."""
    ours = needed.ours
    plain = needed.table is Table.TEETH or (
        ours.replace("-", "").isalpha() and ours.casefold() not in _YAML_WORDS
    )
    return f"  {ours if plain else json.dumps(ours)}: '<the code of the record>'"


def _task(row: PostingRow, needed: Sequence[Needed], file: CodesFile, words: str) -> CodesMissing:
    missing = tuple(
        MissingCode(
            table=one.table.value,
            code=one.ours,
            place=fit(file.place_of(one.table)),
            line=line_for(one),
        )
        for one in needed
    )
    return CodesMissing(
        posting_key=row.posting_key,
        study_instance_uid=row.study_instance_uid,
        patient_id=row.patient_id,
        missing=missing,
        words=fit(f"{row.posting_key} waits: {words}"),
        next_action=(
            "Add what is missing to the codes file, with null where the record has no such code. "
            f"Within {LOOK_AGAIN_S:.0f} seconds the posting goes out by itself, without a restart; "
            "until then it waits, and with it what comes after it for this patient. "
            "'gomphosis check-mapping' names all that is missing."
        ),
    )
