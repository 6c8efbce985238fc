"""``gomphosis console-role``: what the console's own database role needs, as SQL."""

from typing import Annotated

import typer

from services.console.database_role import grants
from services.runtime.cli.exits import plain_errors


def print_console_role(
    role: Annotated[str, typer.Argument(help="The role's name, made before: CREATE ROLE … LOGIN")],
) -> None:
    """Print the SQL that lets a PostgreSQL role run the console, and change nothing in the audit.

    To be run by the store's owner, again after each migrate; the console then gets
    GOMPHOSIS_STORE__URL with that role. Example:  gomphosis console-role gomphosis_console | psql
    """
    with plain_errors():
        typer.echo(grants(role), nl=False)
