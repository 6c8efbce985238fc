"""`gomphosis check`: can the patient record be reached?"""

from collections.abc import Iterable

from schemas.group import Group
from services.records.adapters.choose import open_record
from services.runtime.checks import Verdict
from services.runtime.settings import Settings


def check_record(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Ask the adapter to reach its peer. Raises what opening the adapter raises."""
    del group  # one adapter serves all sites
    record = open_record(settings)
    try:
        answer = record.check()
    finally:
        record.close()
    return [Verdict(f"record ({settings.records.adapter})", answer.ok, answer.words)]
