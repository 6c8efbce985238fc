"""``python -m demo.evening``: a day at three invented hospitals with planted troubles.

It ends in one page, ``demo/out/evening.html``. A trouble that does not come out as it is
told ends it with 1, and no page is made.
"""

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Final

import typer

from demo.evening.books import check_totals, doses, pictures_of_books, totals_of_the_day
from demo.evening.bramble import two_rooms
from demo.evening.camera import Camera, camera
from demo.evening.chapter import Chapter
from demo.evening.desk import NotAtTheDesk
from demo.evening.guests import Evening, yesterday
from demo.evening.hospitals import write_group
from demo.evening.others import early_end, poison, twice_and_late, wrong_clock
from demo.evening.page import Told, page
from demo.evening.record_troubles import record_away, refused_charge, wrong_weight
from demo.evening.signed import signed_note
from demo.evening.stage import CameOtherwise, Stage, on_stage, prepare_record
from demo.hospital import HospitalNotReady, running_hospital
from demo.http_teller import NotKept
from demo.sayings import Sayings
from demo.stand_in import StandInFailed
from demo.story import order_of

_READ_BACK_S: Final = "3"
_FAILURES: Final = (CameOtherwise, HospitalNotReady, NotAtTheDesk, NotKept, StandInFailed)
_TROUBLES: Final[tuple[Callable[[Stage, Camera], Chapter | tuple[Chapter, ...]], ...]] = (
    two_rooms,
    wrong_clock,
    early_end,
    twice_and_late,
    wrong_weight,
    poison,
    signed_note,
    record_away,
    refused_charge,
)
"""In the order of the day."""


def main(
    out: Annotated[
        Path, typer.Option(help="Where the page goes; all else of the day beside it in evening/.")
    ] = Path("demo/out"),
) -> None:
    """Run the invented day at three hospitals, and write the page that tells it."""
    sayings = Sayings()
    folder, written = out / "evening", out / "evening.html"
    written.unlink(missing_ok=True)
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    try:
        text = run(folder.absolute(), sayings)
    except _FAILURES as error:
        sayings.console.print(f"the evening did not come out as it is told: {error}", markup=False)
        sys.exit(1)
    written.write_text(text, encoding="utf-8")
    sayings.say(f"the page: {written}")


def run(folder: Path, sayings: Sayings) -> str:
    """Run the day in an empty folder; give the page. Raises what tells that it came otherwise."""
    say = sayings.say
    write_group(folder / "group")
    prepare_record(folder)
    evening = Evening(yesterday())
    settings = {
        "GOMPHOSIS_GROUP_DIR": str(folder / "group"),
        "GOMPHOSIS_RECORDS__READ_BACK_S": _READ_BACK_S,
        "GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"path": str(folder / "record")}),
        "GOMPHOSIS_CONSOLE__TAPS_PER_MINUTE": "1000",
        "GOMPHOSIS_CONSOLE__INTAKE_TIMEOUT_S": "120",
    }
    say(f"starting all services (embedded bus, SQLite) for three hospitals on {evening.day.date}")
    with (
        running_hospital(folder, **settings) as hospital,
        on_stage(hospital, evening) as stage,
        camera() as taking,
    ):
        say(f"no pictures of pages: {taking.why_not}" if taking.why_not else "Chromium is here")
        _place_orders(stage)
        say(f"{len(evening.guests)} orders placed by the stand-in record")
        chapters: list[Chapter] = []
        for trouble in _TROUBLES:
            told = trouble(stage, taking)
            for chapter in (told,) if isinstance(told, Chapter) else told:
                chapters.append(chapter)
                say(f"no. {chapter.number}, {chapter.title}: as told ({chapter.about})")
        totals = totals_of_the_day(stage)
        check_totals(stage, totals)
        say("every book balances to the cent, as reckoned by hand")
        dose_words, exposures, dose = doses(stage)
        books = pictures_of_books(stage, taking)
        why_not = taking.why_not
    return page(
        Told(
            evening, chapters, totals, exposures, books, dose_words, dose, why_not, sayings.took_s()
        )
    )


def _place_orders(stage: Stage) -> None:
    for guest in stage.evening.guests.values():
        at = stage.evening.day.begins_at(guest.visit)
        order = order_of(guest.visit, guest.room, at, stage.house(guest.site).vet)
        stage.record_tells(guest.site, order, stage.evening.day.moment(7, 30))


if __name__ == "__main__":
    typer.run(main)
