"""The board beside the patient: the rooms of a site, today's patients of one, and one of them."""

from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Final

from fastapi import Query
from fastapi.responses import Response

from schemas.reject_reasons import REJECT_REASONS
from services.console.chairside.board import Table, on_the_table, table_of
from services.console.chairside.dose import CAUTION
from services.console.chairside.tells import EXCUSES
from services.console.chairside.wake import CLOSING
from services.console.changes import topic
from services.console.console import NavEntry
from services.console.site_rules import SiteRules
from services.console.troubles import Trouble
from services.console.views_chairside import room_board
from services.console.visit import Visit, Visiting, study_uid

Day = Annotated[date | None, Query()]


def show_rooms(visit: Visiting, site: str) -> Response:
    """Let one choose a room; where there is one only, go there."""
    rooms = visit.own_site(site).rooms
    if len(rooms) == 1:
        return visit.go_to(f"/sites/{site}/rooms/{rooms[0]}")
    return visit.page("rooms.html", rooms=rooms)


def show_room(visit: Visiting, site: str, room: str, day: Day = None) -> Response:
    """Show who is there today."""
    live = visit.live(topic("room", site, room))
    return visit.page("room.html", **_room(visit, site, room, day), live=live)


def show_room_now(visit: Visiting, site: str, room: str, day: Day = None) -> Response:
    """Show the same, as the part of the page that changes."""
    return visit.page("room_now.html", **_room(visit, site, room, day))


def show_study(visit: Visiting, site: str, room: str, study: str) -> Response:
    """Show the one on the table."""
    live = visit.live(
        topic("study", site, study_uid(study)), topic("room", site, own_room(visit, room))
    )
    table = own_table(visit, site, room, study)
    if table.study.room not in {None, room}:
        return visit.go_to(f"/sites/{site}/rooms/{table.study.room}/studies/{study}")
    return visit.page("study.html", **_shown(visit, room, table), live=live)


def show_study_now(visit: Visiting, site: str, room: str, study: str) -> Response:
    """Show the same, as the part of the page that changes."""
    return visit.page("study_now.html", **_shown(visit, room, own_table(visit, site, room, study)))


def own_room(visit: Visit, room: str) -> str:
    """Check that the site has such a room (Trouble 404)."""
    site = visit.site
    if site is None or room not in site.rooms:
        raise Trouble(404)
    return room


def own_table(visit: Visit, site: str, room: str, study: str) -> Table:
    """Read all of one patient (Trouble 404)."""
    own_room(visit, room)
    rules = visit.console.rules.get(site, SiteRules())
    with visit.console.store.read() as connection:
        now = datetime.now(UTC)
        table = table_of(connection, visit.own_site(site), rules, room, study_uid(study), now)
    if table is None:
        raise Trouble(
            404,
            "No study of this name is known here.",
            "Go back to today's patients. A new order may take a moment to come.",
        )
    return table


def _room(visit: Visit, site: str, room: str, day: date | None) -> dict[str, Any]:
    zone = visit.own_site(site).zone
    today = datetime.now(UTC).astimezone(zone).date()
    with visit.console.store.read() as connection:
        board = room_board(connection, site, own_room(visit, room), day or today)
    return {
        "room": room,
        "board": board,
        "table": on_the_table(board),
        "today": today,
        "before": board.day - timedelta(days=1),
        "zone": zone,
        "now": datetime.now(UTC),
    }


def _shown(visit: Visit, room: str, table: Table) -> dict[str, Any]:
    site = visit.site
    base = f"/sites/{site.name if site is not None else ''}/rooms/{room}"
    return {
        "room": room,
        "taps": f"{base}/studies/{table.study.study_instance_uid}/taps",
        "t": table,
        "study": table.study,
        "zone": site.zone if site is not None else UTC,
        "now": datetime.now(UTC),
        "reasons": REJECT_REASONS,
        "excuses": EXCUSES,
        "closing": CLOSING,
        "dose_caution": CAUTION,
    }


ROUTES: Final = (
    ("GET", "/sites/{site}/rooms", show_rooms),
    ("GET", "/sites/{site}/rooms/{room}", show_room),
    ("GET", "/sites/{site}/rooms/{room}/now", show_room_now),
    ("GET", "/sites/{site}/rooms/{room}/studies/{study}", show_study),
    ("GET", "/sites/{site}/rooms/{room}/studies/{study}/now", show_study_now),
)
NAV: Final = (
    NavEntry(
        "/sites/{site}/rooms",
        "Chairside board",
        "Today's patients of a room: what is still missing, what just came, what is to be decided",
    ),
)
