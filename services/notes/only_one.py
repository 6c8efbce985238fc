"""The one study that a command means, where several sites may know its UID."""

from collections.abc import Sequence
from typing import TypeVar

import typer

from services.runtime.cli.exits import Exit, stderr

Found = TypeVar("Found")


def only_one(
    found: Sequence[tuple[str, Found]], study: str, site: str | None, not_known: str
) -> tuple[str, Found]:
    """Give what was found of a study, with its site; ends the command where it is not one."""
    left = [one for one in found if site is None or one[0] == site]
    if not left:
        stderr.print(f"study {study}: {not_known}", markup=False)
        raise typer.Exit(Exit.NOT_FOUND)
    if len(left) > 1:
        names = ", ".join(name for name, _ in left)
        stderr.print(f"study {study}: expected --site, one of {names}", markup=False)
        raise typer.Exit(Exit.WRONG_USE)
    return left[0]
