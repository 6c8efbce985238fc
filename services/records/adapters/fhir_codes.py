"""The record's codes of what a posting is about, beside ours, as elements of FHIR R4. Pure.

Teeth are ``ChargeItem.bodysite``; a department is the ``costCenter`` of a charge and, with the
site, a ``performer`` of a report; species, plan and views, of which a ChargeItem has no element,
are extensions of ours with a CodeableConcept. A table that the codes file does not tell leaves
all as it was.
"""

from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_code import RecordCode, Table
from services.records.adapters.fhir_names import Names, Resource
from services.records.adapters.own_words import own_words
from services.records.port import ChargePosting, NotePosting
from services.records.unmapped import coded

_EXTENDED = {Table.SPECIES: "species", Table.PLANS: "plan", Table.VIEWS: "view"}


def charge_elements(posting: ChargePosting, names: Names, codes: PostedCodes) -> Resource:
    """Give ``bodysite``, ``costCenter`` and ``extension`` of a charge, those that there are."""
    told = coded(posting, codes)
    made: Resource = {}
    if teeth := told.get(Table.TEETH):
        made["bodysite"] = [_concept(Table.TEETH, ours, its, names) for ours, its in teeth.items()]
    if department := told.get(Table.DEPARTMENTS, {}).get(posting.site):
        made["costCenter"] = _organisation(department)
    extensions = [
        {
            "url": f"{names.namespace}/StructureDefinition/{name}",
            "valueCodeableConcept": _concept(table, ours, its, names),
        }
        for table, name in _EXTENDED.items()
        for ours, its in told.get(table, {}).items()
    ]
    return made | ({"extension": extensions} if extensions else {})


def report_elements(posting: NotePosting, codes: PostedCodes) -> Resource:
    """Give the ``performer`` of a report: the site's organisation and its department."""
    told = coded(posting, codes)
    found = [told.get(table, {}).get(posting.site) for table in (Table.SITES, Table.DEPARTMENTS)]
    performers = [_organisation(its) for its in found if its is not None]
    return {"performer": performers} if performers else {}


def _concept(table: Table, ours: str, its: RecordCode, names: Names) -> Resource:
    words = own_words(table, ours)
    own = {"system": f"{names.namespace}/{table.value}", "code": ours, "display": words}
    return {"coding": [_coding(its), own], "text": words}


def _coding(its: RecordCode) -> Resource:
    told = {"system": its.system, "code": its.code, "display": its.display}
    return {name: value for name, value in told.items() if value is not None}


def _organisation(its: RecordCode) -> Resource:
    identifier = {"system": its.system, "value": its.code} if its.system else {"value": its.code}
    shown = {"display": its.display} if its.display else {}
    return {"type": "Organization", "identifier": identifier} | shown
