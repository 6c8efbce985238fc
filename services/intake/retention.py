"""What of intake's tables may go: facts of which nothing newer is known, and what follows.

Patients' descriptions and merges stay. The fact of an image stays for as long as its file, so that
the image is known again when it is sent again.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Final

from sqlalchemy import ColumnElement, Connection, and_, func, literal, or_, select

from schemas.facts import DocumentStored, ImageStored, PatientDescribed, PatientMerged
from services.intake.store import COMMITMENT, FACT, IMAGE, ORDER, STEP
from services.runtime.operations.retention import Old

_FILED: Final = (ImageStored.KIND, DocumentStored.KIND)
_STAY: Final = (PatientDescribed.KIND, PatientMerged.KIND, *_FILED)


def _nothing_newer(before: datetime) -> ColumnElement[bool]:
    newer = FACT.alias("newer")
    return and_(
        FACT.c.occurred_at < before,
        or_(
            FACT.c.study_instance_uid.is_(None),
            ~select(newer.c.id)
            .where(
                newer.c.site == FACT.c.site,
                newer.c.study_instance_uid == FACT.c.study_instance_uid,
                newer.c.occurred_at >= before,
            )
            .exists(),
        ),
    )


def _old_facts(before: datetime) -> ColumnElement[bool]:
    return and_(FACT.c.kind.not_in(_STAY), _nothing_newer(before))


def _old_filed(before: datetime) -> ColumnElement[bool]:
    return and_(FACT.c.kind.in_(_FILED), _nothing_newer(before))


def _files(connection: Connection, before: datetime) -> Iterator[str]:
    bodies = connection.execute(select(FACT.c.body).where(_old_filed(before))).scalars()
    return (json.loads(bytes(body))["payload"]["path"] for body in bodies)


def _without_file(before: datetime) -> ColumnElement[bool]:
    """Pick the rows of files that go, by their facts: commitment must not vouch for them."""
    key = IMAGE.c.sop_instance_uid + ":" + func.substr(IMAGE.c.sha256, 1, 16)
    keys = select(FACT.c.natural_key).where(_old_filed(before))
    return or_(
        (literal("image:") + key).in_(keys),
        (literal("document:") + key).in_(keys),
    )


OLD: Final = (
    Old("images", IMAGE, _without_file, _files),
    Old("images", FACT, _old_filed),
    Old("facts", FACT, _old_facts),
    Old("facts", ORDER, lambda before: ORDER.c.scheduled_at < before),
    Old("facts", STEP, lambda before: STEP.c.changed_at < before),
    Old(
        "facts",
        COMMITMENT,
        lambda before: and_(COMMITMENT.c.received_at < before, COMMITMENT.c.due_at.is_(None)),
    ),
)
