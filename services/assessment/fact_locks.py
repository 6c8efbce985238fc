"""What facts lock while they are kept, so that no two that are about the same come unseen."""

from collections.abc import Sequence

from schemas.facts import ImageStored, OrderPlaced, PatientDescribed, PatientMerged, SensorHanded
from services.assessment.counting import Fact, told
from services.assessment.fact_rows import NAMED_BY_KEY
from services.assessment.store import FactRow

_WITHDRAWAL = "withdrawn:"


def locks_of(facts: Sequence[Fact], rows: Sequence[FactRow]) -> dict[str, bool]:
    """Name the locks of facts and of their rows, in the order to take them; True: held shared."""
    alone = {name for row in rows for name in _names_alone(row)}
    alone |= {_sensor(m.site, h.sensor) for m, h in told(facts, SensorHanded)}
    shared = {name for row in rows for name in _names_shared(row)}
    # The room of a sensor's image rests on its handovers, so neither comes unseen.
    shared |= {_sensor(m.site, i.sensor) for m, i in told(facts, ImageStored) if i.sensor}
    return {name: name not in alone for name in sorted(alone | shared)}


def _names_alone(row: FactRow) -> set[str]:
    """Everything by which two facts may be about the same, each to be told by one at a time."""
    about = row.natural_key if row.kind in NAMED_BY_KEY else row.about
    # A decision, its withdrawal and the withdrawal of that are one matter: the decision's key.
    while about is not None and about.startswith(_WITHDRAWAL):
        about = about.removeprefix(_WITHDRAWAL)
    named = {"study": row.study, "about": about}
    names = {f"assessment-{what}:{row.site}:{name}" for what, name in named.items() if name}
    if row.kind == PatientMerged.KIND:
        names.add(_merges(row.site))
    if row.kind == PatientDescribed.KIND:
        names.add(_descriptions(row.site))
    return names


def _names_shared(row: FactRow) -> set[str]:
    """Facts of patients may be told side by side, but not beside a merge of patients; orders not
    beside a description either."""
    names = {_merges(row.site)} if row.patient_id is not None else set()
    return names | ({_descriptions(row.site)} if row.kind == OrderPlaced.KIND else set())


def _sensor(site: str, sensor: str) -> str:
    return f"assessment-sensor:{site}:{sensor}"


def _merges(site: str) -> str:
    return f"assessment-merges:{site}"


def _descriptions(site: str) -> str:
    return f"assessment-descriptions:{site}"
