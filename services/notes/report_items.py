"""Content items of a DICOM structured report (PS3.3 C.17.3 and C.18; from memory)."""

import re
from collections.abc import Sequence
from datetime import datetime

from pydicom.dataset import Dataset
from pydicom.valuerep import DSfloat

from schemas.teeth import Code
from services.notes.wording import by_number

CONTAINS, HAS_PROPERTIES = "CONTAINS", "HAS PROPERTIES"
HAS_CONCEPT_MOD, HAS_OBS_CONTEXT = "HAS CONCEPT MOD", "HAS OBS CONTEXT"

_LINE_END = re.compile(r"\r\n|\r|\n")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
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


def root(report: Dataset, title: Code, template: str, items: Sequence[Dataset]) -> None:
    """Give a report its title, the template of PS3.16 that it follows, and its content."""
    report.ValueType = "CONTAINER"
    report.ConceptNameCodeSequence = [code_item(title)]
    report.ContinuityOfContent = "SEPARATE"
    followed = Dataset()
    followed.MappingResource = "DCMR"
    followed.TemplateIdentifier = template
    report.ContentTemplateSequence = [followed]
    report.ContentSequence = list(items)


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
    """Write words of any length and of any number of lines; see ``unlimited_text``."""
    item = _item(relation, "TEXT", name)
    item.TextValue = unlimited_text(value)
    return item


def unlimited_text(words: str) -> str:
    """Write words as a UT: each line ends in CR LF, and no other control but the tab is in it.

    PS3.5 6.1.3 and 6.2 (from memory). A control that may not be there is named by its number;
    spaces at the end mean nothing in a UT.
    """
    lines = _LINE_END.split(words)
    return "\r\n".join(_CONTROL.sub(lambda found: by_number(found[0]), line) for line in lines)


def person(name: Code, value: str, relation: str = CONTAINS) -> Dataset:
    """Name a person; ``value`` is a PN already."""
    item = _item(relation, "PNAME", name)
    item.PersonName = value
    return item


def image(name: Code, sop_class_uid: str, sop_instance_uid: str) -> Dataset:
    """Refer to an image; ``name`` is the purpose of that."""
    item = _item(CONTAINS, "IMAGE", name)
    item.ReferencedSOPSequence = [sop_reference(sop_class_uid, sop_instance_uid)]
    return item


def sop_reference(sop_class_uid: str, sop_instance_uid: str) -> Dataset:
    """Make the item of a sequence that refers to an instance (PS3.3 table 10-11)."""
    item = Dataset()
    item.ReferencedSOPClassUID = sop_class_uid
    item.ReferencedSOPInstanceUID = sop_instance_uid
    return item


def uid_reference(name: Code, value: str, relation: str = CONTAINS) -> Dataset:
    item = _item(relation, "UIDREF", name)
    item.UID = value
    return item


def date_time(name: Code, value: datetime, relation: str = CONTAINS) -> Dataset:
    item = _item(relation, "DATETIME", name)
    item.DateTime = moment(value)
    return item


def moment(at: datetime) -> str:
    """Write a moment as a DT, with its offset from UTC."""
    return f"{at:%Y%m%d%H%M%S.%f%z}"


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
