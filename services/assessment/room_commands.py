"""``gomphosis room``: what a room-day holds beside its studies: what no study has, and clocks."""

import json
from datetime import datetime
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.errors import InvalidInput
from schemas.group import Site, load_group
from services.assessment.counting import Fact, facts_that_count
from services.assessment.loose import why_loose
from services.assessment.period_options import DAY_FORMAT
from services.assessment.room_day import BEYOND, RoomDay
from services.assessment.room_day_facts import facts_of_room_day
from services.assessment.room_links import LinkedRoom, link_room
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_room(
    site: Annotated[str, typer.Argument(help="The site's name.")],
    room: Annotated[str, typer.Argument(help="The room's name.")],
    day: Annotated[datetime, typer.Argument(formats=[DAY_FORMAT], help="By the site's calendar.")],
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show a room-day: exposures that belong to no study, images without exposure, clocks.

    Exit code 3: the site has no such room, or nothing is known of that day.

    Example: gomphosis room north dental-1 2026-03-02
    """
    with plain_errors():
        settings = load_settings()
        try:
            known = load_group(settings.group_dir).site(site)
        except InvalidInput as error:
            if error.field != "site":
                raise
            stderr.print(str(error), markup=False)
            raise typer.Exit(Exit.NOT_FOUND) from error
        where = RoomDay(site, room, day.date())
        if room not in known.rooms:
            stderr.print(
                f"{site} has no room {room}: it has {', '.join(known.rooms)}", markup=False
            )
            raise typer.Exit(Exit.NOT_FOUND)
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                told = facts_of_room_day(
                    connection, where, where.window(known.zone), (), known.rooms
                )
        finally:
            opened.close()
    if not told:
        stderr.print(f"{site}, {room}, {where.day}: nothing is known", markup=False)
        raise typer.Exit(Exit.NOT_FOUND)
    shown = room_as_json(told, known, where)
    if json_output:
        typer.echo(json.dumps(shown, indent=2))
        return
    stdout.print(
        f"{site}, {room}, {where.day}, with {BEYOND.seconds // 3600} hours on either side",
        markup=False,
    )
    stdout.print(
        f"{shown['exposures']} exposures, {shown['images']} images, {shown['linked']} links, "
        f"{shown['proposed']} waiting for a person",
        markup=False,
    )
    _print("exposures that belong to no study", shown["of_no_study"])
    _print("images that no exposure here made", shown["without_exposure"])
    _print("links that wait for a person", shown["waiting"])
    _print(
        "clocks: the station's ahead of the generator's, an image's delay included", shown["clocks"]
    )


def room_as_json(told: list[Fact], site: Site, where: RoomDay) -> dict[str, Any]:
    """Lay out a room-day for reading. ``told`` are all facts known of it, in any order."""
    room = link_room(facts_that_count(told), site, where)
    given = [one for members in room.exposures.values() for one in members]
    accepted = [one for one in room.by_image.values() if one.accepted]
    waiting = [one for one in room.by_image.values() if not one.accepted]
    return {
        "site": site.name,
        "room": where.room,
        "day": str(where.day),
        "exposures": len(given) + len(room.of_nobody),
        "images": len(room.images),
        "linked": len(accepted),
        "proposed": len(waiting),
        "of_no_study": _of_no_study(room),
        "without_exposure": [
            {
                "acquired (UTC)": f"{image.acquired_at:%Y-%m-%d %H:%M:%S}",
                "study": image.study_instance_uid,
                "image": image.sop_instance_uid,
                "station": image.station,
            }
            for _, image in sorted(
                room.images, key=lambda i: (i[1].acquired_at, i[1].sop_instance_uid)
            )
            if image.sop_instance_uid not in room.by_image
        ],
        "waiting": [
            {
                "image": one.image,
                "exposure": one.exposure,
                "confidence": one.confidence,
                "why": "; ".join(one.reasons),
            }
            for one in sorted(waiting, key=lambda one: one.image)
        ],
        "clocks": [
            {
                "generator": stand.generator,
                "station": stand.station,
                "ahead_s": round(stand.ahead_s, 1),
                "± s (k = 1)": round(stand.ahead_uncertainty_s, 2),
                "drift_ppm": round(stand.drift_ppm),
                "± ppm (k = 1)": round(stand.drift_uncertainty_ppm),
                "exposures that speak for it": round(stand.support, 1),
            }
            for stand in room.clocks
        ],
    }


def _of_no_study(room: LinkedRoom) -> list[dict[str, Any]]:
    ordered = sorted(room.of_nobody, key=lambda one: (one[0].fact.occurred_at, one[0].key))
    return [
        {
            "occurred (UTC)": f"{one.fact.occurred_at:%Y-%m-%d %H:%M:%S}",
            "exposure": one.key,
            "kV": one.told.tube_kv,
            "mA": one.told.tube_current_ma,
            "ms": one.told.exposure_ms,
            "why": why_loose(code),
        }
        for one, code in ordered
    ]


def _print(title: str, rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    table = Table(*rows[0], show_edge=False, title=title, title_justify="left")
    for row in rows:
        table.add_row(*(escape(str(cell)) for cell in row.values()))
    stdout.print()
    stdout.print(table)
