"""The assessed studies of a period."""

from collections.abc import Iterator
from datetime import date

from sqlalchemy import Connection, select

from schemas.conclusions import StudyAssessed
from services.assessment.store import STUDY
from services.assessment.stored_period import of_period

_AT_ONCE = 200


def studies_between(
    connection: Connection, site: str | None, first: date | None, last: date | None
) -> Iterator[tuple[str, StudyAssessed]]:
    """Read the newest assessment of each study of the days ``first`` to ``last``, with its site.

    An absent site or bound leaves nothing out.
    """
    query = of_period(select(STUDY.c.site, STUDY.c.body), STUDY, site, first, last)
    rows = connection.execution_options(yield_per=_AT_ONCE).execute(query)
    for row in rows:
        yield row.site, StudyAssessed.model_validate_json(row.body)
