"""The record's codes of what a posting is about, beside ours, as elements of FHIR R4. Pure.

Teeth are ``ChargeItem.bodysite``; a department is the ``costCenter`` of a charge and, with the
site, a ``performer`` of a report; a plan is the ``procedureCode`` of an ImagingStudy too. What has
no element (species, plan and views of a ChargeItem, these and teeth of a DiagnosticReport) is an
extension of ours with a CodeableConcept. A table that the codes file does not tell leaves all as
it was.
"""

from collections.abc import Mapping

from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_code import RecordCode, Table
from services.records.adapters.fhir_names import Names, Resource
from services.records.adapters.own_words import own_words
from services.records.port import ChargePosting, NotePosting
from services.records.unmapped import coded

_OF_CHARGE = {Table.SPECIES: "species", Table.PLANS: "plan", Table.VIEWS: "view"}
_OF_REPORT = {**_OF_CHARGE, Table.TEETH: "tooth"}


def charge_elements(posting: ChargePosting, names: Names, codes: PostedCodes) -> Resource:
    """Give ``bodysite``, ``costCenter`` and ``extension`` of a charge, those that there are."""
    told = coded(posting, codes)
    made: Resource = {}
    if teeth := told.get(Table.TEETH):
        made["bodysite"] = [_concept(Table.TEETH, ours, its, names) for ours, its in teeth.items()]
    if department := told.get(Table.DEPARTMENTS, {}).get(posting.site):
        made["costCenter"] = _organisation(department)
    extensions = _extensions(told, _OF_CHARGE, names)
    return made | ({"extension": extensions} if extensions else {})


def report_elements(posting: NotePosting, names: Names, codes: PostedCodes) -> Resource:
    """Give ``performer`` (the site's organisation and department) and ``extension`` of a report."""
    told = coded(posting, codes)
    found = [told.get(table, {}).get(posting.site) for table in (Table.SITES, Table.DEPARTMENTS)]
    performers = [_organisation(its) for its in found if its is not None]
    extensions = _extensions(told, _OF_REPORT, names)
    made: Resource = {"performer": performers} if performers else {}
    return made | ({"extension": extensions} if extensions else {})


def study_elements(posting: NotePosting, names: Names, codes: PostedCodes) -> Resource:
    """Give ``procedureCode`` of an ImagingStudy: the plan, where the record has a code of it."""
    plans = coded(posting, codes).get(Table.PLANS, {}).items()
    made = [_concept(Table.PLANS, ours, its, names) for ours, its in plans]
    return {"procedureCode": made} if made else {}


def _extensions(
    told: Mapping[Table, Mapping[str, RecordCode]], of: Mapping[Table, str], names: Names
) -> list[Resource]:
    return [
        {
            "url": f"{names.extensions}/{name}",
            "valueCodeableConcept": _concept(table, ours, its, names),
        }
        for table, name in of.items()
        for ours, its in told.get(table, {}).items()
    ]


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
