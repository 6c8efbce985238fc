"""The end of the day: the record is read back, every book compared, the doses drawn."""

from decimal import Decimal
from pathlib import Path
from typing import Any

from demo.evening.camera import Camera
from demo.evening.chapter import Figure
from demo.evening.drawings import svg_figure
from demo.evening.hospitals import HOUSES, House
from demo.evening.page import Totals, together
from demo.evening.stage import CameOtherwise, Stage
from demo.evening.visiting import total

_NOTHING = Decimal("0.00")


def totals_of_the_day(stage: Stage) -> list[Totals]:
    """Compare each hospital's books; fail where a cent or a patient is not as reckoned by hand."""
    day = str(stage.evening.day.date)
    for guest in stage.evening.guests.values():
        held = total(stage.held(guest)["charges"])
        if held != guest.held_eur:
            raise CameOtherwise(f"{guest.name}: expected {guest.held_eur} EUR held, got {held}")
    for house in HOUSES:
        told = stage.hospital.command("read-back", "--site", house.site, "--from", day, "--to", day)
        if told.returncode != 0:
            raise CameOtherwise(f"gomphosis read-back: {told.stderr.strip()}")
    return [_totals(stage, house, day) for house in HOUSES]


def _totals(stage: Stage, house: House, day: str) -> Totals:
    def balanced() -> Totals | None:
        answer = stage.command("reconcile", "--site", house.site, "--day", day)
        found = _read(house, answer)
        return found if found.held == stage.evening.held_eur(house.site) else None

    return stage.wait_for(f"{house.site}'s books compared with what was read back", balanced)


def _read(house: House, answer: dict[str, Any]) -> Totals:
    (books,) = answer["currencies"]
    row = books["totals"][0]  # of the one day; a line over all days follows
    if books["lines"]:
        raise CameOtherwise(f"{house.site}: expected nothing to settle, got {books['lines'][0]}")
    return Totals(
        title=house.title.removesuffix(" Animal Hospital (invented)"),
        images=int(row["images seen"]),
        charged=int(row["images charged"]),
        due=Decimal(row["due"]),
        posted=Decimal(row["posted"]),
        held=Decimal(row["held"]),
    )


def check_totals(stage: Stage, totals: list[Totals]) -> None:
    """Fail unless due, posted and held are one, and as reckoned by hand before the day."""
    by_hand = sum((guest.held_eur for guest in stage.evening.guests.values()), _NOTHING)
    all_of_them = together(totals)
    told = {all_of_them.due, all_of_them.posted, all_of_them.held, by_hand}
    if len(told) != 1:
        raise CameOtherwise(f"the day: expected one sum, got {sorted(told)}")


def pictures_of_books(stage: Stage, camera: Camera) -> list[Figure]:
    """Take the charge desk of the first hospital at the day's end."""
    house, day = HOUSES[0], stage.evening.day.date
    desk = stage.desk("billing-1")
    address = f"/sites/{house.site}/charges?day={day}"
    stage.wait_for("nothing to settle and balanced books at the desk", lambda: (
        "Nothing to settle" in (page := desk.page(address)) and "Balances to the cent" in page
    ))  # fmt: skip
    caption = "The charge desk of Bramble Lane at the end of the day"
    taken = camera.page(desk, address, caption, to="#exceptions")
    return [taken] if taken is not None else []


def doses(stage: Stage) -> tuple[str, int, list[Figure]]:
    """Sum the day's doses by the program's own command; give words, exposures and drawings."""
    day = str(stage.evening.day.date)
    folder = stage.hospital.folder / "dose"
    answer = stage.command("dose", "--from", day, "--to", day, "--svg", str(folder))
    whole = answer["groups"][0]["total"]
    exposures = int(whole["exposures"])
    made = sum(len(stage.evening.shots(guest)) for guest in stage.evening.guests.values())
    if exposures != made:
        raise CameOtherwise(f"the day's dose: expected {made} exposures in it, got {exposures}")
    words = (
        f"All {exposures} exposures of the day are in the sum, the early end with the time that it "
        "was delivered for: estimates by the yearly calibration of each invented generator, with "
        "their uncertainty. What was told late, twice or in the wrong unit is in it once."
    )
    return words, exposures, [
        _drawing(folder / "distribution.svg", "Air kerma of single exposures against the group's "
                 "invented levels and published human dental values"),
        _drawing(folder / "by-view.svg", "Air kerma by view"),
    ]  # fmt: skip


def _drawing(path: Path, caption: str) -> Figure:
    return svg_figure(path.read_text(encoding="utf-8"), caption, caption)
