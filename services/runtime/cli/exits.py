"""What the exit codes of ``gomphosis`` mean, and how an error becomes one."""

from collections.abc import Iterator
from contextlib import contextmanager
from enum import IntEnum

import typer
from rich.console import Console

from schemas.errors import GomphosisError
from services.runtime.settings import SettingsError

stderr = Console(stderr=True, soft_wrap=True)
stdout = Console(soft_wrap=True)


class Exit(IntEnum):
    """0 done; 1 failed; 2 wrong use or setting; 3 no such thing; 4 a check did not pass."""

    DONE = 0
    FAILED = 1
    WRONG_USE = 2
    NOT_FOUND = 3
    CHECK_FAILED = 4


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show our own errors as one plain sentence and end with the code that fits."""
    try:
        yield
    except SettingsError as error:
        stderr.print(str(error), markup=False)
        raise typer.Exit(Exit.WRONG_USE) from error
    except GomphosisError as error:
        stderr.print(str(error), markup=False)
        raise typer.Exit(Exit.FAILED) from error
