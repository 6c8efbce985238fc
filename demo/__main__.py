"""``python -m demo``: an invented day at one hospital, over the real doors, in about a minute."""

import shutil
import sys
from pathlib import Path
from typing import Annotated

import typer

from demo.hospital import HospitalNotReady, running_hospital
from demo.run import DayFailed, RunOfTheDay
from demo.sayings import Sayings
from demo.stand_in import StandInFailed
from demo.story import load_day
from demo.summary import summary


def main(
    out: Annotated[
        Path, typer.Option(help="Where all of the day is kept; emptied at the start.")
    ] = Path("demo/out"),
) -> None:
    """Run the invented day and print what came of it."""
    sayings = Sayings()
    say, console = sayings.say, sayings.console
    if out.exists():
        shutil.rmtree(out)
    out.mkdir(parents=True)
    day = load_day()
    try:
        say("starting all services (embedded bus, SQLite)")
        with running_hospital(out) as hospital:
            say("services ready; stand-in devices begin their day")
            outcomes = RunOfTheDay(day, hospital, say).run()
    except (HospitalNotReady, DayFailed, StandInFailed) as error:
        console.print(f"the demo did not finish: {error}", markup=False)
        sys.exit(1)
    text = summary(day, outcomes, out / "filed")
    (out / "summary.txt").write_text(text, encoding="utf-8")
    say("done; all services stopped\n")
    console.print(text, markup=False)


if __name__ == "__main__":
    typer.run(main)
