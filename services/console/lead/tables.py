"""The lead's own part of the read model: sums of a site's days, and what sites are compared by."""

from typing import Final

from sqlalchemy import Column, Date, String, Table

from services.console.tables import COUNTS, count_column
from services.runtime.tables import METADATA

SITE_COUNTS: Final = (
    "images",
    "rejected",
    "repeats",
    "exposures",
    "ended_early",
    "deviations",
    "missing_views",
)
"""Those of ``tables.COUNTS`` that are no doses."""


FIGURES_SITE = Table(
    "console_figures_site",
    METADATA,
    Column("month", Date, primary_key=True),
    Column("site", String(64), primary_key=True),
    *(count_column(name) for name in SITE_COUNTS),
)
"""A narrow row for each site and month, by the month first. Among ``FIGURES_MONTH``, where a site
has some thirty wide rows a month, those of a thousand sites lie on twelve thousand pages of the
disk for a year; here on some two hundred."""

FIGURES_SITE_DAY = Table(
    "console_figures_site_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    *(count_column(name) for name in COUNTS),
)
"""A site's days, all together: one row where ``FIGURES_DAY`` has some forty and more."""
