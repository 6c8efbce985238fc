"""The root of ``gomphosis``: our own commands, and those that services bring by entry point."""

import sys
from importlib.metadata import entry_points, version
from typing import Annotated

import typer

from services.runtime.cli import admin, start, triage
from services.runtime.cli.exits import stderr
from services.runtime.logs import configure_logs
from services.runtime.settings import LogSettings

COMMANDS = "gomphosis.commands"

app = typer.Typer(
    name="gomphosis",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_show_locals=False,
    help=(
        "Joins veterinary dental X-ray to the patient record. "
        "Exit codes: 0 done, 1 failed, 2 wrong use or setting, 3 no such thing, "
        "4 a check did not pass. The software diagnoses nothing; local radiation rules "
        "and licensed practice come first."
    ),
)
app.command("start")(start.start)
app.command("migrate")(admin.migrate)
app.command("check")(admin.check)
app.add_typer(triage.app, name="triage")


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(version("gomphosis"))
        raise typer.Exit


@app.callback()
def root(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Say which.")
    ] = False,
) -> None:
    del show_version
    # A command answers in its own words; `start` sets its own logs. Never on standard output.
    configure_logs(LogSettings(level="error", format="console"), "command")


def main() -> None:
    """Run the command line with the installed services' own commands."""
    points = {point.name: point for point in entry_points(group=COMMANDS)}
    wanted = next((word for word in sys.argv[1:] if not word.startswith("-")), None)
    # A command needs only its own imports; the list of all needs everybody's.
    needed = [points[wanted]] if wanted in points else [] if wanted else points.values()
    for point in needed:
        try:
            command = point.load()
        except ImportError as error:  # one broken plug-in must not take 'triage' away at 2 a.m.
            stderr.print(f"command {point.name} is left out: {error}", markup=False)
        else:
            app.command(point.name)(command)
    app()


if __name__ == "__main__":
    main()
