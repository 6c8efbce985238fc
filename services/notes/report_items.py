"""Content items of a DICOM structured report (PS3.3 C.17.3 and C.18; from memory)."""

from collections.abc import Sequence
from datetime import datetime

from pydicom.dataset import Dataset
from pydicom.valuerep import DSfloat

from schemas.teeth import Code

CONTAINS, HAS_PROPERTIES = "CONTAINS", "HAS PROPERTIES"
HAS_CONCEPT_MOD, HAS_OBS_CONTEXT = "HAS CONCEPT MOD", "HAS OBS CONTEXT"

VALUE_UNKNOWN = Code("114010", "DCM", "Value unknown")


def dcm(value: str, meaning: str) -> Code:
    """Name a concept of the DICOM terminology (PS3.16 annex D)."""
    return Code(value, "DCM", meaning)


def code_item(code: Code) -> Dataset:
    """Make the item of a code sequence (PS3.3 section 8)."""
    item = Dataset()
    item.CodeValue = code.value
    item.CodingSchemeDesignator = code.scheme
    item.CodeMeaning = code.meaning
    return item


def container(name: Code, children: Sequence[Dataset], relation: str = CONTAINS) -> Dataset:
    item = _item(relation, "CONTAINER", name, children)
    item.ContinuityOfContent = "SEPARATE"
    return item


def coded(
    name: Code, value: Code, children: Sequence[Dataset] = (), relation: str = CONTAINS
) -> Dataset:
    item = _item(relation, "CODE", name, children)
    item.ConceptCodeSequence = [code_item(value)]
    return item


def text(name: Code, value: str, relation: str = CONTAINS) -> Dataset:
    item = _item(relation, "TEXT", name)
    item.TextValue = value
    return item


def uid_reference(name: Code, value: str, relation: str = CONTAINS) -> Dataset:
    item = _item(relation, "UIDREF", name)
    item.UID = value
    return item


def date_time(name: Code, value: datetime, relation: str = CONTAINS) -> Dataset:
    """Write a moment with its offset from UTC."""
    item = _item(relation, "DATETIME", name)
    item.DateTime = f"{value:%Y%m%d%H%M%S.%f%z}"
    return item


def measured(name: Code, value: float | None, unit: str, unit_meaning: str = "") -> Dataset:
    """Write a measurement in a UCUM unit; one of no value says that it is unknown (CID 42)."""
    item = _item(CONTAINS, "NUM", name)
    if value is None:
        item.MeasuredValueSequence = []
        item.NumericValueQualifierCodeSequence = [code_item(VALUE_UNKNOWN)]
        return item
    number = Dataset()
    number.NumericValue = DSfloat(value, auto_format=True)
    number.MeasurementUnitsCodeSequence = [code_item(Code(unit, "UCUM", unit_meaning or unit))]
    item.MeasuredValueSequence = [number]
    return item


def _item(relation: str, value_type: str, name: Code, children: Sequence[Dataset] = ()) -> Dataset:
    item = Dataset()
    item.RelationshipType = relation
    item.ValueType = value_type
    item.ConceptNameCodeSequence = [code_item(name)]
    if children:
        item.ContentSequence = list(children)
    return item
