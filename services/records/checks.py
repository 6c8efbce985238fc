"""`gomphosis check`: can the patient record be reached, and has it a code for all of ours?"""

from collections.abc import Iterable

from schemas.group import Group
from schemas.people import Role
from schemas.tariffs.load import load_tariffs
from services.records.adapters.choose import open_record
from services.runtime.checks import Verdict
from services.runtime.settings import Settings

_MOST_NAMED = 20


def check_record(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Ask the adapter to reach its peer, and what it has no code for.

    Raises what opening the adapter raises, and InvalidInput for a tariff that cannot be read.
    """
    record = open_record(settings)
    name = f"record ({settings.records.adapter})"
    try:
        answer = record.check()
        sites = [site.name for site in group.sites]
        signers = [
            person.name
            for site in group.sites
            for person in site.people
            if Role.VET in person.roles
        ]
        unmapped = list(record.unmapped(_charge_codes(settings, group), signers, sites))
    finally:
        record.close()
    verdicts = [Verdict(name, answer.ok, answer.words)]
    if unmapped:
        shown = ", ".join(unmapped[:_MOST_NAMED])
        more = f" and {len(unmapped) - _MOST_NAMED} more" if len(unmapped) > _MOST_NAMED else ""
        words = f"the record has no code for {shown}{more}: add them to the codes file"
        verdicts.append(Verdict(f"{name}: codes", False, words))
    return verdicts


def _charge_codes(settings: Settings, group: Group) -> set[str]:
    """Give every code that a tariff of one of the sites may charge, in any of its versions."""
    folder = settings.group_dir / "tariffs"
    book = load_tariffs(folder if folder.is_dir() else None)
    tariffs = {site.tariff for site in group.sites if site.tariff in book}
    return {code for name in tariffs for one in book.versions[name] for code in one.articles}
