"""A new file that a command writes: whole or not at all, and never over another."""

import os
from collections.abc import Callable
from pathlib import Path

import typer

from schemas.envelope import new_id
from services.runtime.cli.exits import Exit, stderr


def write_new(out: Path, write: Callable[[Path], object]) -> None:
    """Let ``write`` fill a file beside ``out``, then name it so; ends the command if it cannot."""
    part = out.with_name(f".{new_id()}.part")
    try:
        try:
            write(part)
            os.link(part, out)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        words = f"--out {out}: expected a new file in a folder that can be written ({error})"
        stderr.print(words, markup=False)
        raise typer.Exit(Exit.FAILED) from error
