"""Every page's module, in the order of the list of pages.

A module has ``ROUTES`` (method, path, function) and, where it stands in that list, ``NAV``.
"""

from types import ModuleType
from typing import Final

from services.console.pages import (
    chairside,
    chairside_taps,
    charges,
    charges_acts,
    charges_month,
    checks,
    group_change,
    home,
    lead,
    lead_files,
    live,
    note_deeds,
    note_pictures,
    notes,
    oidc,
    operations,
    session,
    sign_in,
    static,
    triage,
)

PAGES: Final[tuple[ModuleType, ...]] = (
    home,
    chairside,
    chairside_taps,
    lead,
    lead_files,
    notes,
    note_deeds,
    note_pictures,
    operations,
    triage,
    checks,
    group_change,
    charges,
    charges_acts,
    charges_month,
    sign_in,
    oidc,
    session,
    live,
    static,
)
