"""Dose reports read, and the invented site that they come from."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydicom.dataset import Dataset

from schemas.group import Site
from services.intake.document_header import DocumentHeader, read_document
from services.intake.dose_report_reader import DoseReport, ReportedExposure, read_dose_report
from services.intake.report_content import read_content
from tests.dose_reports import device_report

ZONE = ZoneInfo("Europe/Vienna")
RECEIVED = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


def read(*items: Dataset) -> DoseReport:
    return read_dose_report(read_content(device_report(*items)))


def only(report: DoseReport) -> ReportedExposure:
    assert report.unusable == ()
    (exposure,) = report.exposures
    return exposure


def header_of(report: Dataset) -> DocumentHeader:
    return read_document(report, ZONE, RECEIVED)


def site(**changes: Any) -> Site:
    generator = {"kind": "generator", "room": "dental-1", "serial": "INVENTED-0001"}
    devices = changes.pop("devices", [{"name": "generator-1", **generator}])
    told = Site.EXAMPLES[0] | {"rooms": ["dental-1", "dental-2"], "devices": devices} | changes
    return Site.model_validate(told, strict=False)
