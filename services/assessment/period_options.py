"""The options by which a report names its site and its period."""

from datetime import date, datetime
from typing import Any, Final

import typer

DAY_FORMAT: Final = "%Y-%m-%d"

SITE: Final[Any] = typer.Option("--site", help="One site; all without it.")
FROM: Final[Any] = typer.Option("--from", formats=[DAY_FORMAT], help="First day of the period.")
TO: Final[Any] = typer.Option("--to", formats=[DAY_FORMAT], help="Last day of the period.")


def day_of(moment: datetime | None) -> date | None:
    """Take the day that was given, if any."""
    return moment.date() if moment is not None else None
