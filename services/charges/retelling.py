"""The newest charges and the corrections decided, told again after a restore."""

from collections.abc import Iterator
from datetime import UTC, datetime

from sqlalchemy import Connection, select, true, update

from schemas.conclusions import ChargesAssessed
from services.charges.day_store import mark_days
from services.charges.effects_store import effects_since
from services.charges.reconcile_tables import DAY_TOLD
from services.charges.reconciling import corrected
from services.charges.store import STUDY
from services.runtime.operations.retell import Told, told_again

SERVICE = "charges"
_PAGE = 200


def charges_again(connection: Connection, group: str, since: datetime | None) -> Iterator[Told]:
    """Give the newest charges of each study of days since then, and the lines decided on.

    That a posting go out again is not told twice: only the person who decided it may. Reconciled
    days are marked, and the loop that tells them does so at their next revision.
    """
    _days_again(connection, since)
    query = (
        select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.snapshot)
        .where(STUDY.c.snapshot.is_not(None))
        .order_by(STUDY.c.service_day)
    )
    if since is not None:
        query = query.where(STUDY.c.service_day >= since.date())
    for site, study, body in connection.execute(query.execution_options(yield_per=_PAGE)):
        yield told_again(SERVICE, group, site, ChargesAssessed.model_validate_json(body), study)
    for site, effect, currency in effects_since(connection, since):
        told = corrected(effect, currency).model_copy(update={"again": ()})
        if told.entries:
            yield told_again(SERVICE, group, site, told, effect.exception_id)


def _days_again(connection: Connection, since: datetime | None) -> None:
    told = true() if since is None else DAY_TOLD.c.day >= since.date()
    days = connection.execute(select(DAY_TOLD.c.site, DAY_TOLD.c.day).where(told)).all()
    connection.execute(update(DAY_TOLD).where(told).values(content_sha256=""))
    mark_days(connection, {(row.site, row.day): datetime.now(UTC) for row in days})
