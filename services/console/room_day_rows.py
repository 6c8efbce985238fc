"""The rows of a room-day and of a decision about an exception. Pure."""

from typing import Any

from schemas.conclusions import ChargesCorrected, RoomDayAssessed

Row = dict[str, Any]


def room_day_row(site: str, told: RoomDayAssessed) -> Row:
    """Make the row of ``tables.ROOM_DAY``; what is beyond the listed counts as exposures."""
    return {
        "site": site,
        "room": told.room,
        "day": told.day,
        "revision": told.revision,
        "loose_exposures": len(told.exposures) + told.left_out,
        "loose_images": len(told.images),
        "clocks": len(told.clocks),
        "snapshot": told.model_dump_json(),
    }


def correction_row(site: str, told: ChargesCorrected) -> Row:
    """Make the row of ``tables.CORRECTION``."""
    return {
        "site": site,
        "exception_id": told.exception_id,
        "decided_at": told.decided_at,
        "action": told.action.value,
        "decided_by": told.decided_by,
        "countersigned_by": told.countersigned_by,
        "snapshot": told.model_dump_json(),
    }
