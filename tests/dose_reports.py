"""Invented dose reports and text reports as a device would send them, built without our writer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

DOSE_REPORT = "1.2.840.10008.5.1.4.1.1.88.67"
BASIC_TEXT = "1.2.840.10008.5.1.4.1.1.88.11"


def code(value: str, meaning: str, scheme: str = "DCM") -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def content(value_type: str, name: str, meaning: str, **values: Any) -> Dataset:
    """Make a content item that is contained, its concept of the DICOM terminology."""
    item = Dataset()
    item.RelationshipType = "CONTAINS"
    item.ValueType = value_type
    item.ConceptNameCodeSequence = [code(name, meaning)]
    if value_type == "CONTAINER":
        item.ContinuityOfContent = "SEPARATE"
    for keyword, value in values.items():
        setattr(item, keyword, value)
    return item


def number(name: str, meaning: str, value: float | str, unit: str | None) -> Dataset:
    told = Dataset()
    told.NumericValue = str(value)
    if unit is not None:
        told.MeasurementUnitsCodeSequence = [code(unit, unit, "UCUM")]
    return content("NUM", name, meaning, MeasuredValueSequence=[told])


def coded(name: str, meaning: str, value: Dataset, children: Sequence[Dataset] = ()) -> Dataset:
    item = content("CODE", name, meaning, ConceptCodeSequence=[value])
    if children:
        item.ContentSequence = list(children)
    return item


DEVICE_ROLE = ("113876", "Device Role in Procedure")
USUAL: dict[str, Dataset] = {
    "uid": content("UIDREF", "113769", "Irradiation Event UID", UID="2.25.8001"),
    "started": content("DATETIME", "111526", "DateTime Started", DateTime="20260302102000.000"),
    "kvp": number("113733", "KVP", 65, "kV"),
    "current": number("113734", "X-Ray Tube Current", 7, "mA"),
    "time": number("113824", "Exposure Time", 120, "ms"),
    "kerma": number("113738", "Dose (RP)", "0.0016", "Gy"),
    "kap": number("122130", "Dose Area Product", "4.5E-06", "Gy.m2"),
    "point": coded("113780", "Reference Point Definition", code("113964", "At Surface of Patient")),
    "to_reference": number("113737", "Distance Source to Reference Point", 200, "mm"),
}


def event(**changes: Dataset | None) -> Dataset:
    """Make an irradiation event; a change of None leaves an item out, others come to it."""
    items = {**USUAL, **changes}
    kept = [item for item in items.values() if item is not None]
    return content("CONTAINER", "113706", "Irradiation Event X-Ray Data", ContentSequence=kept)


def irradiating_device(serial: str) -> Dataset:
    told = content("TEXT", "113880", "Device Serial Number", TextValue=serial)
    told.RelationshipType = "HAS PROPERTIES"
    return coded(*DEVICE_ROLE, code("113859", "Irradiating Device"), [told])


def observer_serial(serial: str) -> Dataset:
    item = content("TEXT", "121016", "Device Observer Serial Number", TextValue=serial)
    item.RelationshipType = "HAS OBS CONTEXT"
    return item


def document(sop_class: str, title: Dataset, items: Sequence[Dataset], **changes: Any) -> Dataset:
    """Make a structured report; a change of None removes an attribute."""
    report = Dataset()
    report.SOPClassUID = sop_class
    report.SOPInstanceUID = "2.25.9001"
    report.StudyInstanceUID = "2.25.1001"
    report.SeriesInstanceUID = "2.25.1005"
    report.Modality = "SR"
    report.PatientID = "P-1001"
    report.PatientName = "Invented Pepper"
    report.ContentDate, report.ContentTime = "20260302", "102130"
    report.CompletionFlag, report.VerificationFlag = "COMPLETE", "UNVERIFIED"
    report.ValueType = "CONTAINER"
    report.ContinuityOfContent = "SEPARATE"
    report.ConceptNameCodeSequence = [title]
    report.ContentSequence = list(items)
    for keyword, value in changes.items():
        if value is None:
            delattr(report, keyword)
        else:
            setattr(report, keyword, value)
    report.file_meta = FileMetaDataset()
    report.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    report.file_meta.MediaStorageSOPClassUID = report.SOPClassUID
    report.file_meta.MediaStorageSOPInstanceUID = report.SOPInstanceUID
    return report


def device_report(*items: Dataset, **changes: Any) -> Dataset:
    """Make a dose report with these items at its root."""
    title = code("113701", "X-Ray Radiation Dose Report")
    return document(DOSE_REPORT, title, items or (event(),), **changes)


def text_report(words: str = "Invented text.", **changes: Any) -> Dataset:
    """Make a report of one paragraph."""
    paragraph = content("TEXT", "121071", "Finding", TextValue=words)
    title = code("121144", "Document Title")
    return document(BASIC_TEXT, title, [paragraph], **changes)
