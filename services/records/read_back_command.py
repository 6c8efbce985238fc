"""``gomphosis read-back``: read what the record holds now, and tell it to the charges."""

from datetime import datetime
from typing import Annotated

import typer

from schemas.group import load_group
from services.records.adapters.choose import open_record
from services.records.line_reader import LineReader
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

_DAY = "%Y-%m-%d"


def read_back(
    site: Annotated[str, typer.Option("--site", help="The site.")],
    first: Annotated[datetime, typer.Option("--from", formats=[_DAY], help="The first day.")],
    last: Annotated[datetime, typer.Option("--to", formats=[_DAY], help="The last day.")],
) -> None:
    """Read the record's lines of some days now, without waiting for the next regular reading.

    Days that changed since they were told last are told; the records service sends that on.

    Example: gomphosis read-back --site north --from 2026-03-01 --to 2026-03-31
    """
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        name = group.site(site).name
        record = open_record(settings)
        store = Store(settings.store_url, settings.store.pool_size)
        try:
            reader = LineReader(store, record, lambda: None, group, 1.0, 1)
            changed = reader.read(name, first.date(), last.date())
        finally:
            record.close()
            store.close()
    days = "1 day" if changed == 1 else f"{changed} days"
    stdout.print(f"{site}: {days} changed since the last reading", markup=False)
