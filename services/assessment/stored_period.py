"""The rows of a period, of a table that holds one row a study."""

from datetime import date
from typing import Any

from sqlalchemy import Select, Table


def of_period(
    query: Select[Any], table: Table, site: str | None, first: date | None, last: date | None
) -> Select[Any]:
    """Ask for the rows of the days ``first`` to ``last``, by site, day and study.

    An absent site or bound leaves nothing out.
    """
    if site is not None:
        query = query.where(table.c.site == site)
    if first is not None:
        query = query.where(table.c.day >= first)
    if last is not None:
        query = query.where(table.c.day <= last)
    return query.order_by(table.c.site, table.c.day, table.c.study_instance_uid)
