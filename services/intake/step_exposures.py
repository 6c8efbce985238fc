"""What a performed step says of dose, as exposures in our units.

Pure. The Exposure Dose Sequence (0040,030E) and the dose attributes beside it are retired (PS3.4
table F.7.2-1 note 6) and still sent. Units: KVP in kV, Exposure Time in ms, X-Ray Tube Current in
µA (0018,8151) (CP-226 as proposed, read; for images PS3.3 table C.8-33, read); Entrance Dose
(0040,0302) in dGy and (0040,8302) in mGy, area dose product in dGy·cm², Distance Source to
Entrance in mm (from memory).
"""

from dataclasses import dataclass

from pydicom.dataset import Dataset

from schemas.dose_units import kap_in_mgycm2, kerma_in_mgy
from schemas.errors import InvalidInput
from services.intake.image_values import Values


@dataclass(frozen=True, slots=True)
class StepExposure:
    """One exposure of a step; ``number`` counts from 1 in the order told.

    Kerma and area product are there only where the step tells them of this one exposure.
    """

    number: int
    tube_kv: float
    tube_current_ma: float
    exposure_ms: float
    irradiation_event_uid: str | None = None
    source_to_skin_mm: float | None = None
    kerma_mgy: float | None = None
    kap_mgycm2: float | None = None


def read_exposures(step: Dataset) -> tuple[list[StepExposure], list[InvalidInput]]:
    """Give the exposures of a step, and what could not be used, with its reason.

    The step's own dose attributes are sums and means over all of it: they are taken only where it
    made a single exposure, since no share of one exposure follows from them.
    """
    values = Values(step)
    items = values.items("ExposureDoseSequence")
    told_number = values.whole("TotalNumberOfExposures")
    if not items and told_number in (None, 1) and values.raw("KVP") is not None:
        items = [values]
    single = len(items) == 1 and told_number in (None, 1)
    distance_mm = values.number("DistanceSourceToEntrance")
    found = []
    for number, item in enumerate(items, start=1):
        tube_kv, exposure_ms = item.number("KVP"), _exposure_ms(item)
        tube_current_ma = _tube_current_ma(item)
        if tube_kv is None or exposure_ms is None or tube_current_ma is None:
            values.drop(
                "ExposureDoseSequence", f"item {number}", "kV, tube current and exposure time"
            )
            continue
        kerma_mgy, kap_mgycm2 = _kerma_mgy(item), _kap_mgycm2(item)
        if single and item is not values:
            kerma_mgy = _kerma_mgy(values) if kerma_mgy is None else kerma_mgy
            kap_mgycm2 = _kap_mgycm2(values) if kap_mgycm2 is None else kap_mgycm2
        found.append(
            StepExposure(
                number,
                tube_kv,
                tube_current_ma,
                exposure_ms,
                item.uid("IrradiationEventUID"),
                distance_mm,
                kerma_mgy,
                kap_mgycm2,
            )
        )
    return found, values.dropped


def _exposure_ms(item: Values) -> float | None:
    fine = item.number("ExposureTimeInuS", factor=1e-3)
    return item.number("ExposureTime") if fine is None else fine


def _tube_current_ma(item: Values) -> float | None:
    fine = item.number("XRayTubeCurrentInuA", factor=1e-3)
    return item.number("XRayTubeCurrent") if fine is None else fine


def _kerma_mgy(item: Values) -> float | None:
    fine = item.number("EntranceDoseInmGy")
    if fine is not None:
        return kerma_in_mgy(fine, "mGy")
    # Whole dGy: a dental dose reads 0 there, which says nothing and is dropped.
    coarse = item.number("EntranceDose")
    return None if coarse is None else kerma_in_mgy(coarse, "dGy")


def _kap_mgycm2(item: Values) -> float | None:
    told = item.number("ImageAndFluoroscopyAreaDoseProduct")
    return None if told is None else kap_in_mgycm2(told, "dGy.cm2")
