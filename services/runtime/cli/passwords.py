"""``gomphosis hash-password``: the hash that stands in ``group.yaml``."""

import sys
from typing import Annotated

import typer

from services.runtime.cli.exits import plain_errors
from services.runtime.passwords import hash_password


def hash_a_password(
    from_stdin: Annotated[
        bool, typer.Option("--stdin", help="Read the password's one line from standard input.")
    ] = False,
) -> None:
    """Ask for a password twice and print its hash, for password_argon2 in group.yaml.

    The password itself is shown and kept nowhere. Example:  gomphosis hash-password
    """
    if from_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = typer.prompt("password", hide_input=True, confirmation_prompt=True, err=True)
    with plain_errors():
        typer.echo(hash_password(password))
