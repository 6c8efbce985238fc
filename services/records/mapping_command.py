"""``gomphosis check-mapping``: every code between us and the record, before go-live and after."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Annotated, Any

import typer
from rich.table import Table as Shown

from schemas.errors import InvalidInput
from schemas.group import Group, load_group
from schemas.mappings.posted_codes import OURS, PostedCodes
from schemas.mappings.record_code import Table
from schemas.mappings.record_codes import (
    FILE_NAME,
    RecordCodes,
    check_record_codes,
    load_record_codes,
)
from services.records.adapters.choose import open_record
from services.records.codes_file import CodesFile
from services.records.holding import line_for
from services.records.mapping_check import (
    Direction,
    Finding,
    Kind,
    Weight,
    check_both_ways,
    check_posted,
    check_read,
    check_seen,
)
from services.records.mapping_seen import seen_in_triage, waited_for
from services.records.own_codes import own_codes
from services.records.unmapped import Needed
from services.runtime.cli.exits import Exit, plain_errors, stdout
from services.runtime.migrate import current_revision
from services.runtime.settings import Settings, load_settings
from services.runtime.store import Store

_RELOADS = (
    "A saved codes file counts from the next posting on, without a restart. "
    f"{FILE_NAME} is read when intake starts: restart intake after a change."
)


def check_mapping(
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """List every code of ours that the record has none for, and each that maps two ways or nowhere.

    Looked through are the codes file of the record adapter (option 'codes') and the group's
    record_codes.yaml, against tariffs, plans, views, teeth, species, staff, sites and rooms; what
    postings wait for, and what the record sent that waits in triage. The record itself is not
    asked, and nothing is changed. Exit code 4 where something would hold a posting or an order.

    Example:  gomphosis check-mapping --json
    """
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        file = _codes_file(settings)
        findings = list(_findings(settings, group, file))
    if as_json:
        told = {"findings": [_as_dict(one, file) for one in findings], "reload": _RELOADS}
        typer.echo(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        _print(findings, file)
    if any(one.weight is Weight.WRONG for one in findings):
        raise typer.Exit(Exit.CHECK_FAILED)


def _codes_file(settings: Settings) -> CodesFile:
    """Give the adapter's file; one that has none takes our own codes."""
    record = open_record(settings)
    try:
        return record.codes_file() or CodesFile(None)
    finally:
        record.close()


def _findings(settings: Settings, group: Group, file: CodesFile) -> Iterator[Finding]:
    posted = file.now()
    has_own = (settings.group_dir / FILE_NAME).is_file()
    read = load_record_codes(settings.group_dir) if has_own else None
    own = own_codes(settings, group, read.orders.values() if read else ())
    waiting, seen = _turned_up(settings, posted)
    if posted != OURS or len(group.sites) > 1 or waiting:
        yield from check_posted(posted, own, waiting)
    if read is not None:
        yield from check_read(read, own)
        yield from _senders(read, group)
        yield from check_both_ways(posted, read, own)
    yield from check_seen(read or load_record_codes(settings.group_dir), seen)


def _senders(read: RecordCodes, group: Group) -> Iterator[Finding]:
    """Tell what is wrong with senders and the room for orders without one, as intake would."""
    try:
        check_record_codes(read.model_copy(update={"orders": {}, "rooms": {}}), group, ())
    except InvalidInput as error:
        words = f"expected {error.expected}"
        yield Finding(
            Weight.WRONG,
            Kind.NOTHING,
            Direction.FROM_RECORD,
            error.field.removeprefix(f"{FILE_NAME}: "),
            error.value,
            words,
        )


def _turned_up(
    settings: Settings, posted: PostedCodes
) -> tuple[dict[Needed, int], dict[tuple[str, str], int]]:
    """Read what has turned up; before the first migration there is nothing yet."""
    store = Store(settings.store_url)
    try:
        if current_revision(store) is None:
            return {}, {}
        with store.read() as connection:
            return dict(waited_for(connection, posted)), dict(seen_in_triage(connection))
    finally:
        store.close()


def _place(one: Finding, file: CodesFile) -> tuple[str, str] | None:
    """Say which line to add where, for what the record has no code for."""
    if one.kind is Kind.SEEN:
        return (f"{FILE_NAME}, {one.table}", f"  {json.dumps(one.code)}: <ours>")
    if one.kind is Kind.UNMAPPED and one.direction is Direction.TO_RECORD:
        table = Table(one.table)
        return (file.place_of(table), line_for(Needed(table, one.code)))
    return None


def _as_dict(one: Finding, file: CodesFile) -> dict[str, Any]:
    place = _place(one, file)
    return asdict(one) | {
        "place": place[0] if place else None,
        "line": place[1] if place else None,
    }


def _print(findings: list[Finding], file: CodesFile) -> None:
    where = file.path or "none: the record takes our own codes, and is told no others"
    stdout.print(f"codes file: {where}", markup=False)
    if not findings:
        stdout.print("Every code is mapped, and to one thing.")
        return
    table = Shown("weight", "direction", "table", "code", "what", show_edge=False)
    for one in findings:
        table.add_row(one.weight, one.direction, one.table, one.code, one.words)
    stdout.print(table)
    asked: dict[str, dict[str, None]] = {}
    for one in findings:
        if place := _place(one, file):
            asked.setdefault(place[0], {})[place[1]] = None
    for where_to, lines in sorted(asked.items()):
        stdout.print(f"\nadd to {where_to}:", markup=False)
        stdout.print("\n".join(lines), markup=False)
    stdout.print(f"\n{_RELOADS}", markup=False)
