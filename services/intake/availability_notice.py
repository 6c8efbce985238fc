"""Instance availability: which objects of a study can be retrieved, and from where.

Pure. DICOM PS3.4 table R.3.2-1 (read): type 1 and 2 attributes only, further ones are forbidden,
so that no patient is told. ONLINE says that a retrieval from the named title would succeed soon
(PS3.3 section C.4.23.1.1, read).
"""

import json
from collections.abc import Sequence
from hashlib import sha256
from itertools import groupby
from typing import Final

from pydicom.dataset import Dataset

from services.intake.held_objects import Stored

AVAILABILITY_CLASS: Final = "1.2.840.10008.5.1.4.33"


def content_sha256(objects: Sequence[Stored]) -> str:
    """Tell one content of a study from another, whatever the order of its objects."""
    pairs = sorted((one.sop_instance_uid, one.sha256) for one in objects)
    return sha256(json.dumps(pairs).encode()).hexdigest()


def notice_of(
    study_instance_uid: str, objects: Sequence[Stored], retrieve_ae_title: str
) -> Dataset:
    """Make the notice that all of these can be retrieved now; each instance is named once."""
    notice = Dataset()
    notice.ReferencedPerformedProcedureStepSequence = []
    notice.StudyInstanceUID = study_instance_uid
    notice.ReferencedSeriesSequence = []
    once = {one.sop_instance_uid: one for one in objects}
    ordered = sorted(once.values(), key=lambda one: (_series(one), one.sop_instance_uid))
    for series_uid, members in groupby(ordered, key=_series):
        series = Dataset()
        series.ReferencedSOPSequence = [_instance(one, retrieve_ae_title) for one in members]
        series.SeriesInstanceUID = series_uid
        notice.ReferencedSeriesSequence.append(series)
    return notice


def _series(stored: Stored) -> str:
    return stored.series_instance_uid


def _instance(stored: Stored, retrieve_ae_title: str) -> Dataset:
    item = Dataset()
    item.RetrieveAETitle = retrieve_ae_title
    item.InstanceAvailability = "ONLINE"
    item.ReferencedSOPClassUID = stored.sop_class_uid
    item.ReferencedSOPInstanceUID = stored.sop_instance_uid
    return item
