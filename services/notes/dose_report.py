"""A study's dose as a DICOM X-ray radiation dose report, where no device wrote one.

Projection template: TID 10001 with 10002 (10004, 10007), 10003, 1002 and 1021 of PS3.16; codes run
with pydicom, rows were read in older editions or are from memory. Pure: the same assessment gives
the same object, UIDs and all. Figures keep their basis and uncertainty, in the comments.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import timedelta

from pydicom.dataset import Dataset

from schemas.conclusions import DoseBasis, ExposureResult, StudyAssessed
from schemas.errors import GomphosisError
from schemas.group import Device, Site
from schemas.teeth import Code, jaw_code
from services.notes.dose_report_modules import maker_at, report_uid, surround
from services.notes.dose_report_words import event_comment, whole_comment
from services.notes.report_items import (
    HAS_CONCEPT_MOD,
    HAS_OBS_CONTEXT,
    HAS_PROPERTIES,
    coded,
    container,
    date_time,
    dcm,
    measured,
    root,
    text,
    uid_reference,
)
from services.notes.report_observers import device_observer

_SOURCE = {
    DoseBasis.DEVICE: dcm("113856", "Automated Data Collection"),
    DoseBasis.CALIBRATION: dcm("113940", "System Calculated"),
    DoseBasis.MODEL: dcm("113940", "System Calculated"),
    # Its technique was told by the device even where no dose is known.
    DoseBasis.UNKNOWN: dcm("113856", "Automated Data Collection"),
}
"""PS3.16 CID 10020."""
_SINGLE_PLANE = dcm("113622", "Single Plane")
_COMMENT = dcm("121106", "Comment")
_JAWS = Code("661005", "SCT", "Jaw region")


class NoDoseReport(GomphosisError):  # noqa: N818
    """A dose report cannot be drawn up for a study; ``reason`` says why."""

    def __init__(self, study_instance_uid: str, reason: str) -> None:
        self.study_instance_uid = study_instance_uid
        self.reason = reason
        super().__init__(f"study {study_instance_uid}: {reason}")


def dose_report(assessed: StudyAssessed, site: Site) -> Dataset:
    """Build the report of a study, ready to be written as a file.

    Kerma is in Gy at the surface of the patient, kerma-area product in Gy·m².

    Raises
    ------
    NoDoseReport
        The study has no exposure, or a device's own dose report told them all.
    """
    if not assessed.exposures:
        raise NoDoseReport(
            assessed.study_instance_uid, "expected at least one exposure, none is known"
        )
    exposures = sorted(assessed.exposures, key=lambda one: (one.occurred_at, one.exposure_key))
    if all(_told_uid(one) and one.exposure_key.endswith(":dose_report") for one in exposures):
        raise NoDoseReport(
            assessed.study_instance_uid,
            "a device's own dose report told every exposure; use that one",
        )
    # The time of writing would make two objects of one revision: its last exposure stands in.
    made_at = exposures[-1].occurred_at.astimezone(site.zone)
    report = Dataset()
    surround(report, assessed, site, made_at)
    items = [
        coded(
            dcm("121058", "Procedure reported"),
            dcm("113704", "Projection X-Ray"),
            [
                coded(
                    Code("363703001", "SCT", "Has Intent"),
                    Code("261004008", "SCT", "Diagnostic Intent"),
                    relation=HAS_CONCEPT_MOD,
                )
            ],
            HAS_CONCEPT_MOD,
        ),
        *device_observer(site, maker_at(site)),
        coded(
            dcm("113705", "Scope of Accumulation"),
            dcm("113014", "Study"),
            [
                uid_reference(
                    dcm("110180", "Study Instance UID"), assessed.study_instance_uid, HAS_PROPERTIES
                )
            ],
            HAS_OBS_CONTEXT,
        ),
        _accumulated(exposures, _only([_generator(one, assessed, site) for one in exposures])),
        *(_event(one, assessed, site) for one in exposures),
        text(_COMMENT, whole_comment(exposures)),
        *_sources(exposures),
    ]
    root(report, dcm("113701", "X-Ray Radiation Dose Report"), "10001", items)
    return report


def _accumulated(exposures: Sequence[ExposureResult], generator: Device | None) -> Dataset:
    """Sum up (TID 10002). An exposure without a figure, or with one that a question asks about, is
    in no sum; the comment counts them.

    The template asks for the totals, so one that nobody knows is there and says so.
    """
    kap = _in_unit((one.kap_mgycm2 for one in exposures if not one.kap_doubtful), 1e-7)
    kerma = _in_unit((one.kerma_mgy for one in exposures if not one.kerma_doubtful), 1e-3)
    seconds = math.fsum(one.exposure_ms for one in exposures) / 1e3
    return container(
        dcm("113702", "Accumulated X-Ray Dose Data"),
        [
            coded(dcm("113764", "Acquisition Plane"), _SINGLE_PLANE, relation=HAS_CONCEPT_MOD),
            measured(dcm("113722", "Dose Area Product Total"), kap, "Gy.m2"),
            measured(dcm("113725", "Dose (RP) Total"), kerma, "Gy"),
            measured(dcm("113727", "Acquisition Dose Area Product Total"), kap, "Gy.m2"),
            measured(dcm("113729", "Acquisition Dose (RP) Total"), kerma, "Gy"),
            measured(dcm("113855", "Total Acquisition Time"), seconds, "s"),
            measured(
                dcm("113731", "Total Number of Radiographic Frames"),
                len(exposures),
                "1",
                "no units",
            ),
            _at_skin(),
            *_irradiating(generator),
        ],
    )


def _event(one: ExposureResult, assessed: StudyAssessed, site: Site) -> Dataset:
    """Tell one exposure (TID 10003)."""
    started_at = one.occurred_at - timedelta(milliseconds=one.exposure_ms)
    items = [
        coded(dcm("113764", "Acquisition Plane"), _SINGLE_PLANE, relation=HAS_CONCEPT_MOD),
        uid_reference(
            dcm("113769", "Irradiation Event UID"),
            _told_uid(one) or report_uid("event", site.name, one.exposure_key),
        ),
        date_time(dcm("111526", "DateTime Started"), started_at.astimezone(site.zone)),
        coded(dcm("113721", "Irradiation Event Type"), dcm("113611", "Stationary Acquisition")),
        coded(dcm("123014", "Target Region"), _region(one, assessed)),
        *_event_dose(one),
        measured(dcm("113733", "KVP"), one.tube_kv, "kV"),
        measured(dcm("113734", "X-Ray Tube Current"), one.tube_current_ma, "mA"),
        measured(dcm("113824", "Exposure Time"), one.exposure_ms, "ms"),
        measured(dcm("113736", "Exposure"), one.tube_current_ma * one.exposure_ms, "uA.s"),
        text(_COMMENT, event_comment(one)),
        *_irradiating(_generator(one, assessed, site)),
    ]
    if one.preset is not None:
        items.insert(4, text(dcm("125203", "Acquisition Protocol"), one.preset))
    return container(dcm("113706", "Irradiation Event X-Ray Data"), items)


def _event_dose(one: ExposureResult) -> list[Dataset]:
    """Tell what is known; an unknown figure is left out, since some readers stumble over a
    measurement without a value. So is a doubtful one, which a reader would add up: it stands in
    the event's comment."""
    items: list[Dataset] = []
    if one.kap_mgycm2 is not None and not one.kap_doubtful:
        kap = _in_unit([one.kap_mgycm2], 1e-7)
        items.append(measured(dcm("122130", "Dose Area Product"), kap, "Gy.m2"))
    if one.kerma_mgy is not None and not one.kerma_doubtful:
        kerma = _in_unit([one.kerma_mgy], 1e-3)
        items += [measured(dcm("113738", "Dose (RP)"), kerma, "Gy"), _at_skin()]
    return items


def _at_skin() -> Dataset:
    """Say where the kerma is meant (PS3.16 CID 10025)."""
    return coded(
        dcm("113780", "Reference Point Definition"), dcm("113964", "At Surface of Patient")
    )


def _irradiating(generator: Device | None) -> list[Dataset]:
    """Name the device that irradiated (TID 1021); its maker stands in none of our data."""
    if generator is None:
        return []
    told = [
        text(dcm("113877", "Device Name"), generator.name, HAS_PROPERTIES),
        text(dcm("113878", "Device Manufacturer"), "not told", HAS_PROPERTIES),
        text(dcm("113879", "Device Model Name"), "not told", HAS_PROPERTIES),
        text(dcm("113880", "Device Serial Number"), generator.serial or "not told", HAS_PROPERTIES),
    ]
    role = dcm("113876", "Device Role in Procedure")
    return [coded(role, dcm("113859", "Irradiating Device"), told)]


def _generator(one: ExposureResult, assessed: StudyAssessed, site: Site) -> Device | None:
    """Find what irradiated: as the exposure tells, by the serial in its key, else the room's only
    generator."""
    generators = list(site.generators())
    by_name = [device for device in generators if device.name == one.generator]
    if by_name:
        return by_name[0]
    by_serial = [
        device
        for device in generators
        if device.serial and one.exposure_key.startswith(f"exposure:{device.serial}:")
    ]
    here = [device for device in generators if device.room == assessed.room]
    return _only(by_serial) or (_only(here) if not by_serial else None)


def _only(devices: Sequence[Device | None]) -> Device | None:
    first = devices[0] if devices else None
    return first if all(device == first for device in devices) else None


def _told_uid(one: ExposureResult) -> str | None:
    """Give the event's UID where its key tells it: a reader then sees that it is the same event."""
    _, _, rest = one.exposure_key.partition(":")
    uid, _, told_by = rest.rpartition(":")
    whole = uid.replace(".", "").isdecimal() and "." in uid
    return uid if whole and told_by in {"generator", "dose_report", "performed_step"} else None


def _region(one: ExposureResult, assessed: StudyAssessed) -> Code:
    teeth = {
        tooth
        for image in assessed.images
        if image.sop_instance_uid == one.sop_instance_uid
        for tooth in image.teeth
    }
    jaws = {jaw_code(tooth) for tooth in teeth}
    return jaws.pop() if len(jaws) == 1 else _JAWS


def _in_unit(values: Iterable[float | None], factor: float) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) * factor if known else None


def _sources(exposures: Sequence[ExposureResult]) -> list[Dataset]:
    codes = dict.fromkeys(_SOURCE[one.dose_basis] for one in exposures)
    return [coded(dcm("113854", "Source of Dose Information"), code) for code in sorted(codes)]
