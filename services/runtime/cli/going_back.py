"""``gomphosis go-back``: the store as an older version of gomphosis knows it."""

from typing import Annotated

import typer

from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.migrate import current_revision, go_back
from services.runtime.operations.going_back import expect_can_go_back
from services.runtime.settings import load_settings
from services.runtime.store import Store


def go_back_to(
    revision: Annotated[str, typer.Argument(help="A schema revision, such as 0022.")],
    accept_loss: Annotated[
        bool, typer.Option("--accept-loss", help="What it forgets, as it is named, may go.")
    ] = False,
) -> None:
    """Take the store back to an older schema, before the older version is started again.

    Every service must be stopped; what waits in outboxes and queues stays. Back up first. Refused
    where it would lose what nothing can make anew: then restore a backup of the older version.

    Example:  gomphosis go-back 0025 --accept-loss
    """
    with plain_errors():
        store = Store(load_settings().store_url)
        try:
            before = current_revision(store)
            expect_can_go_back(before, revision, accept=accept_loss)
            go_back(store, revision)
            after = current_revision(store)
        finally:
            store.close()
    stdout.print(f"store schema: {before} -> {after}; start the version that knows it")
