"""``gomphosis new-adapter``: the first day of an adapter to another patient record."""

from pathlib import Path
from typing import Annotated

import typer

from schemas.errors import InvalidInput
from services.records.new_adapter import lay_out
from services.runtime.cli.exits import Exit, stderr, stdout


def new_adapter(
    name: Annotated[str, typer.Argument(help="What the setting records.adapter will say.")],
    into: Annotated[Path, typer.Option("--into", help="The folder; nothing in it is overwritten.")],
) -> None:
    """Lay out a package with a working adapter to an invented record, and the suite for it.

    Put the client of your own record in the invented one's place, and keep the suite green.

    Example: gomphosis new-adapter clinic --into gomphosis-record-clinic
    """
    try:
        written = lay_out(name, into)
    except InvalidInput as error:
        stderr.print(str(error), markup=False)
        raise typer.Exit(Exit.WRONG_USE) from error
    except OSError as error:
        stderr.print(f"into: expected to write {error.filename}: {error.strerror}", markup=False)
        raise typer.Exit(Exit.FAILED) from error
    for path in written:
        stdout.print(str(path), markup=False, highlight=False)
    stdout.print(f"next, in {into}: pip install -e '.[dev]' and python -m pytest", markup=False)
