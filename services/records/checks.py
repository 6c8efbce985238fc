"""`gomphosis check`: can the patient record be reached, and has it a code for all of ours?"""

from collections.abc import Iterable

from schemas.group import Group
from schemas.mappings.record_code import Table
from services.records.adapters.choose import open_record
from services.records.own_codes import OwnCodes, own_codes
from services.records.port import PatientRecord
from services.runtime.checks import Verdict
from services.runtime.settings import Settings

_MOST_NAMED = 20


def check_record(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Ask the adapter to reach its peer, and what it has no code for.

    Raises what opening the adapter raises, and InvalidInput for rules that cannot be read.
    """
    record = open_record(settings)
    name = f"record ({settings.records.adapter})"
    try:
        answer = record.check()
        unmapped = _unmapped(record, own_codes(settings, group))
    finally:
        record.close()
    verdicts = [Verdict(name, answer.ok, answer.words)]
    if unmapped:
        shown = ", ".join(unmapped[:_MOST_NAMED])
        more = f" and {len(unmapped) - _MOST_NAMED} more" if len(unmapped) > _MOST_NAMED else ""
        words = (
            f"the record has no code for {shown}{more}: add them to the codes file; "
            "'gomphosis check-mapping' lists them all"
        )
        verdicts.append(Verdict(f"{name}: codes", False, words))
    return verdicts


def _unmapped(record: PatientRecord, own: OwnCodes) -> list[str]:
    """Name what the record has no code for, by its own table and by the group's file."""
    needed = own.needed
    asked = (needed[Table.CHARGES], needed[Table.STAFF], needed[Table.SITES])
    found = list(record.unmapped(*asked))
    file = record.codes_file()
    if file is not None:
        codes = file.now()
        others = [
            table for table in Table if table not in (Table.CHARGES, Table.STAFF, Table.SITES)
        ]
        found += [name for table in others for name in codes.lacking(table, needed[table])]
    return found
