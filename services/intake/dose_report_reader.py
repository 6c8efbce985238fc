"""From a projection X-ray dose report to exposures in our units. Pure.

Templates TID 10001, 10002, 10003 (10003B in newer editions) and 1021 of DICOM PS3.16: the codes run
with pydicom, the rows were read in older editions or are from memory. Every unit is read, never
assumed: some senders put mGy where the template has Gy.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from schemas.dose_units import MGY_PER_UNIT, MGYCM2_PER_UNIT
from schemas.errors import InvalidInput
from services.intake.report_content import ContentItem

EVENT, ACCUMULATED = "113706", "113702"
EVENT_UID, STARTED = "113769", "111526"
KVP, TUBE_CURRENT, EXPOSURE, DURATION = "113733", "113734", "113736", "113742"
EXPOSURE_TIME = ("113824", "113735")  # the second in older editions
DOSE_RP, DOSE_AREA_PRODUCT = "113738", "122130"
REFERENCE_POINT, AT_SURFACE = "113780", "113964"
SOURCE_TO_REFERENCE, SOURCE_TO_DETECTOR = "113737", "113750"
DEVICE_ROLE, DEVICE_SERIAL = "113876", "113880"
OBSERVER_UID, OBSERVER_SERIAL = "121012", "121016"

KV_PER_UNIT = {"kV": 1.0, "V": 1e-3}
MA_PER_UNIT = {"mA": 1.0, "uA": 1e-3, "A": 1e3}
MS_PER_UNIT = {"ms": 1.0, "s": 1e3, "us": 1e-3}
MAS_PER_UNIT = {"mA.s": 1.0, "uA.s": 1e-3, "A.s": 1e3}
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1e3}

# What an exposure fact can hold; see schemas.facts.ExposureEnded.
_MOST_KV, _MOST_MA, _MOST_MS = 200.0, 1_000.0, 60_000.0


@dataclass(frozen=True, slots=True)
class ReportedExposure:
    """One irradiation event. ``started`` is its DT as told; ``None`` is not told.

    ``kerma_mgy`` is at the skin, or where the report names no reference point, at the point that
    it means. ``source_to_skin_mm`` is told where the reference point is the patient's surface.
    ``exposure_mas`` is told where it was told beside both current and time. ``serials`` are those
    of the irradiating device, the event's own first. ``notes`` say what was
    derived, and from which items.
    """

    place: str
    irradiation_event_uid: str | None
    started: str
    tube_kv: float
    tube_current_ma: float
    exposure_ms: float
    exposure_mas: float | None
    kerma_mgy: float | None
    kap_mgycm2: float | None
    source_to_skin_mm: float | None
    source_to_detector_mm: float | None
    serials: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DoseReport:
    """A dose report as read.

    ``unusable`` are events that lack what an exposure needs, one reason each; ``odd`` are single
    values that were left out. Each names its content item. ``observer_serials`` are those of the
    device that recorded.
    """

    exposures: tuple[ReportedExposure, ...]
    unusable: tuple[InvalidInput, ...]
    odd: tuple[InvalidInput, ...]
    observer_serials: tuple[str, ...]


def read_dose_report(root: ContentItem) -> DoseReport:
    """Read every irradiation event of a report. Raises nothing: what is odd is told."""
    odd: list[InvalidInput] = []
    exposures: list[ReportedExposure] = []
    unusable: list[InvalidInput] = []
    accumulated = [
        serial for part in root.named(ACCUMULATED) for serial in _irradiating_serials(part)
    ]
    for event in root.named(EVENT):
        try:
            exposures.append(_Event(event, odd).read(tuple(accumulated)))
        except InvalidInput as error:
            unusable.append(error)
    observers = [
        item.value
        for item in root.everything()
        if item.is_named(OBSERVER_SERIAL, OBSERVER_UID) and item.value
    ]
    return DoseReport(
        tuple(exposures), tuple(unusable), tuple(odd), tuple(dict.fromkeys(observers))
    )


def _irradiating_serials(part: ContentItem) -> list[str]:
    """Give the serials of the devices that take part (TID 1021), in order."""
    return [
        serial.value
        for role in part.named(DEVICE_ROLE)
        for serial in role.named(DEVICE_SERIAL)
        if serial.value
    ]


class _Event:
    def __init__(self, event: ContentItem, odd: list[InvalidInput]) -> None:
        self._event = event
        self._odd = odd
        self._notes: list[str] = []
        self._wrong: dict[str, InvalidInput] = {}

    def read(self, accumulated_serials: tuple[str, ...]) -> ReportedExposure:
        """Read the event, or raise InvalidInput naming what it lacks."""
        uid, started = self._event.first(EVENT_UID), self._event.first(STARTED)
        if started is None or started.value is None:
            raise self._lacks((STARTED,), "DateTime Started", "a date and time")
        kv = self._required((KVP,), "KVP", KV_PER_UNIT, _MOST_KV)
        current, time_ms = self._current_and_time()
        at_surface, kerma = self._kerma()
        to_reference = self._number((SOURCE_TO_REFERENCE,), MM_PER_UNIT)
        return ReportedExposure(
            place=self._event.place,
            irradiation_event_uid=None if uid is None else uid.value,
            started=started.value,
            tube_kv=kv,
            tube_current_ma=current,
            exposure_ms=time_ms,
            # One of the three that follows from the other two bears no witness to them.
            exposure_mas=None if self._derived() else self._number((EXPOSURE,), MAS_PER_UNIT),
            kerma_mgy=kerma,
            kap_mgycm2=self._number((DOSE_AREA_PRODUCT,), MGYCM2_PER_UNIT),
            source_to_skin_mm=to_reference if at_surface else None,
            source_to_detector_mm=self._number((SOURCE_TO_DETECTOR,), MM_PER_UNIT),
            serials=(*_irradiating_serials(self._event), *accumulated_serials),
            notes=tuple(self._notes),
        )

    def _derived(self) -> bool:
        return any("derived" in note or "Duration" in note for note in self._notes)

    def _current_and_time(self) -> tuple[float, float]:
        """Read mA and ms; one that is missing follows from the mAs."""
        current = self._number((TUBE_CURRENT,), MA_PER_UNIT, _MOST_MA)
        time_ms = self._number(EXPOSURE_TIME, MS_PER_UNIT, _MOST_MS)
        charge = self._number((EXPOSURE,), MAS_PER_UNIT)
        if time_ms is None and charge is not None and current is not None:
            time_ms = charge / current * 1e3
            self._notes.append("exposure time derived from Exposure and X-Ray Tube Current")
        if current is None and charge is not None and time_ms is not None:
            current = charge / time_ms * 1e3
            self._notes.append("tube current derived from Exposure and Exposure Time")
        if time_ms is None:
            time_ms = self._number((DURATION,), MS_PER_UNIT, _MOST_MS)
            if time_ms is not None:
                self._notes.append("exposure time taken from Irradiation Duration")
                if current is None and charge is not None:
                    current = charge / time_ms * 1e3
                    self._notes.append("tube current derived from Exposure")
        if current is None or not 0 < current <= _MOST_MA:
            expected = f"above 0, at most {_MOST_MA:g} mA"
            raise self._lacks((TUBE_CURRENT, EXPOSURE), "X-Ray Tube Current", expected)
        if time_ms is None or not 0 < time_ms <= _MOST_MS:
            expected = f"above 0, at most {_MOST_MS:g} ms"
            raise self._lacks((*EXPOSURE_TIME, EXPOSURE), "Exposure Time", expected)
        return current, time_ms

    def _kerma(self) -> tuple[bool, float | None]:
        """Tell whether the reference point is the skin, and the kerma where it can be used."""
        kerma = self._number((DOSE_RP,), MGY_PER_UNIT)
        point = self._event.first(REFERENCE_POINT)
        code = None if point is None else point.code
        if code is None:
            if kerma is not None:
                self._notes.append("no coded reference point: kerma taken as at the skin")
            return False, kerma
        if (code.scheme, code.value) == ("DCM", AT_SURFACE):
            return True, kerma
        if kerma is not None and point is not None:
            self._odd.append(
                InvalidInput(
                    f"{point.place} ({REFERENCE_POINT}, DCM, Reference Point Definition)",
                    code.meaning or code.value,
                    "At Surface of Patient: kerma elsewhere is not that at the skin, so left out",
                )
            )
        return False, None

    def _required(
        self, codes: tuple[str, ...], meaning: str, factors: Mapping[str, float], most: float
    ) -> float:
        value = self._number(codes, factors, most)
        if value is None:
            unit = next(iter(factors))
            raise self._lacks(codes, meaning, f"above 0, at most {most:g} {unit}")
        return value

    def _number(
        self, codes: tuple[str, ...], factors: Mapping[str, float], most: float = math.inf
    ) -> float | None:
        """Give a measurement in our unit, or None; several (one for each pulse) give their mean.

        A zero says nothing of an exposure that was made: a device that does not know writes it.
        """
        told: list[float] = []
        for item in self._event.named(*codes):
            if item.number is None:
                continue  # a measurement may say that it has no value
            if item.unit is None or item.unit not in factors:
                self._drop(item, item.unit, f"a unit of {', '.join(factors)} (UCUM)")
                continue
            value = item.number * factors[item.unit]
            if not (0 < value <= most and math.isfinite(value)):
                self._drop(item, item.number, f"above 0, at most {most:g}")
                continue
            told.append(value)
        if not told:
            return None
        if max(told) > min(told):
            self._notes.append(f"mean of {len(told)} values of {codes[0]}")
        return math.fsum(value / len(told) for value in told)

    def _drop(self, item: ContentItem, value: object, expected: str) -> None:
        error = InvalidInput(_title(item), value, expected)
        self._odd.append(error)
        if item.name is not None:
            self._wrong.setdefault(item.name.value, error)

    def _lacks(self, codes: tuple[str, ...], meaning: str, expected: str) -> InvalidInput:
        """Say what is missing; what is there and could not be used says more than that."""
        wrong = next((self._wrong[code] for code in codes if code in self._wrong), None)
        name = f"{self._event.place} ({codes[0]}, DCM, {meaning})"
        return wrong or InvalidInput(name, None, expected)


def _title(item: ContentItem) -> str:
    name = item.name
    return (
        item.place
        if name is None
        else f"{item.place} ({name.value}, {name.scheme}, {name.meaning})"
    )
