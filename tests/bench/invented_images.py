"""Invented intraoral images as files: the size of real ones, or small ones for other purposes."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from demo.intraoral_object import Acquisition, intraoral_object
from demo.story import TUBE_CURRENT_MA, TUBE_KV
from demo.synthetic_image import render_view
from schemas.plans import View, load_plans

PLAN = "dog-full-mouth"
DAY_BEGINS = datetime.fromisoformat("2026-03-02T08:00:00+00:00")
# 31 x 41 mm (sensor size 2) at this pitch are 912 x 1206 pixels of two bytes: 2.2 MB.
PIXEL_PITCH_MM = 0.034
PICTURES = 4
"""How many different pictures there are; every object has its own UID all the same."""


def views() -> tuple[View, ...]:
    """Return the views of the plan that the bench uses."""
    return load_plans()[PLAN].views


def new_uid() -> str:
    """Make a UID of the form of PS3.5 annex B.2."""
    return f"2.25.{uuid.uuid4().int}"


def full_size_image(number: int) -> Dataset:
    """Make one image of 2.2 MB, of an invented study with ten images each."""
    view = views()[number % len(views())]
    at = DAY_BEGINS + timedelta(seconds=60 * number)
    study = f"2.25.{uuid.uuid5(uuid.NAMESPACE_URL, f'bench study {number // 10}').int}"
    return image(scheduled_step(study, f"BENCH{number // 10}"), view, at, number, _picture(number))


def image(
    scheduled: Dataset, view: View, acquired_at: datetime, number: int, pixels: NDArray[np.uint16]
) -> Dataset:
    """Make one image of a scheduled study."""
    acquisition = Acquisition(
        scheduled=scheduled,
        view=view,
        labelled=True,
        sop_instance_uid=new_uid(),
        series_instance_uid=f"{scheduled.StudyInstanceUID}.1",
        number=number,
        acquired_at=acquired_at,
        tube_kv=TUBE_KV,
        tube_current_ma=TUBE_CURRENT_MA,
        exposure_ms=120.0,
        pixel_pitch_mm=PIXEL_PITCH_MM,
    )
    return intraoral_object(acquisition, pixels)


def scheduled_step(study_instance_uid: str, accession_number: str) -> Dataset:
    """Make what a worklist would have answered for an invented dog."""
    step = Dataset()
    step.ScheduledProcedureStepStartDate = DAY_BEGINS.strftime("%Y%m%d")
    step.ScheduledProcedureStepStartTime = DAY_BEGINS.strftime("%H%M%S")
    step.ScheduledProcedureStepID = accession_number
    scheduled = Dataset()
    scheduled.PatientName = "Invented^Bench"
    scheduled.PatientID = f"INV-{accession_number}"
    scheduled.PatientSpeciesDescription = "Dog"
    scheduled.StudyInstanceUID = study_instance_uid
    scheduled.AccessionNumber = accession_number
    scheduled.RequestedProcedureID = accession_number
    scheduled.ScheduledProcedureStepSequence = [step]
    return scheduled


def write_image(path: Path, dataset: Dataset) -> None:
    """Write a DICOM file."""
    dataset.save_as(path, enforce_file_format=True)


@cache
def _pictures() -> tuple[NDArray[np.uint16], ...]:
    return tuple(
        render_view(
            "dog",
            view.teeth,
            receptor_size=view.receptor_size,
            pixel_pitch_mm=PIXEL_PITCH_MM,
            seed=seed,
            cut_off=0.0,
        )
        for seed, view in enumerate(views()[:PICTURES])
    )


def _picture(number: int) -> NDArray[np.uint16]:
    pictures = _pictures()
    return pictures[number % len(pictures)]
