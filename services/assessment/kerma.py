"""Incident air kerma and kerma-area product of one exposure, each with basis and uncertainty.

K = Y·mAs·(d_ref/SSD)², P_KA = K·A (IAEA TRS 457, from memory). Kerma is free in air, without
backscatter: at the skin, and by inverse square at the distance where doses are compared. It
describes the beam; it is no organ dose and no effective dose.
"""

from dataclasses import dataclass

from schemas.outputs import SpectrumModel, Waveform
from services.assessment.beam_geometry import (
    area_at_skin_cm2,
    area_distance_power,
    incident_air_kerma_mgy,
    kerma_area_product_mgycm2,
    skin_distance_mm,
)
from services.assessment.calibration import CalibrationUse
from services.assessment.chosen_output import KermaBasis, choose_output
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    DISTANCE_RELATIVE_STANDARD_UNCERTAINTY,
    combined,
    combined_powers,
)


@dataclass(frozen=True, slots=True)
class ReferenceKerma:
    """Incident air kerma in mGy at ``distance_mm`` from focus, where doses are compared."""

    kerma_mgy: float
    distance_mm: float
    relative_standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class AirKerma:
    """Incident air kerma at the skin, in mGy, without backscatter.

    ``calibration`` is there where the basis is a calibration, ``waveform`` where it is the model.
    """

    kerma_mgy: float
    basis: KermaBasis
    relative_standard_uncertainty: float
    calibration: CalibrationUse | None = None
    waveform: Waveform | None = None


@dataclass(frozen=True, slots=True)
class KermaAreaProduct:
    """Kerma-area product in mGy·cm²: the same at any distance from focus."""

    kap_mgycm2: float
    basis: KermaBasis
    relative_standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class ExposureKerma:
    """What could be told of one exposure. ``None`` is unknown, and ``notes`` say why."""

    kerma: AirKerma | None
    kap: KermaAreaProduct | None
    notes: tuple[str, ...]
    at_reference: ReferenceKerma | None = None


def estimate(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None
) -> ExposureKerma:
    """Take kerma and kerma-area product from the device, else a calibration, else the model.

    Nothing is guessed: where the input does not suffice the value is ``None`` with a note.
    """
    notes: list[str] = []
    told_kerma = _told(technique.reported_kerma_mgy, technique, "kerma", notes)
    told_kap = _told(technique.reported_kap_mgycm2, technique, "kerma-area product", notes)
    skin_mm = skin_distance_mm(technique, tube)
    area_cm2 = area_at_skin_cm2(tube, skin_mm)
    if area_cm2 is None and tube.field is not None:
        notes.append("The field's area at the skin is unknown: source_to_skin_mm is not told.")
    area_power = area_distance_power(tube)

    found: _Found | None
    if told_kerma is not None:
        found = _Found(told_kerma, KermaBasis.DEVICE, DEVICE_RELATIVE_STANDARD_UNCERTAINTY, 0.0)
    elif told_kap is not None and area_cm2 is not None:
        notes.append("Kerma is the reported kerma-area product over the field's area.")
        of_area = combined(DEVICE_RELATIVE_STANDARD_UNCERTAINTY, AREA_RELATIVE_STANDARD_UNCERTAINTY)
        found = _Found(told_kap / area_cm2, KermaBasis.DEVICE, of_area, -area_power)
    else:
        found = _computed(technique, tube, skin_mm, model, notes)

    kap: KermaAreaProduct | None = None
    if told_kap is not None:
        kap = KermaAreaProduct(told_kap, KermaBasis.DEVICE, DEVICE_RELATIVE_STANDARD_UNCERTAINTY)
    elif found is not None and area_cm2 is not None:
        kap = KermaAreaProduct(
            kerma_area_product_mgycm2(found.kerma_mgy, area_cm2),
            found.basis,
            combined_powers(
                (found.uncertainty, 1.0),
                (AREA_RELATIVE_STANDARD_UNCERTAINTY, 1.0),
                (DISTANCE_RELATIVE_STANDARD_UNCERTAINTY, found.distance_power + area_power),
            ),
        )
    return ExposureKerma(
        kerma=found.air_kerma() if found is not None else None,
        kap=kap,
        notes=tuple(notes),
        at_reference=_at_reference(found, skin_mm, tube),
    )


def kerma_of_settings(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None
) -> AirKerma | None:
    """Compute kerma from the settings alone, by calibration or model, whatever was reported."""
    found = _computed(technique, tube, skin_distance_mm(technique, tube), model, [])
    return found.air_kerma() if found is not None else None


@dataclass(frozen=True, slots=True)
class _Found:
    """A kerma at the skin; ``uncertainty`` is without that of the skin's distance, which enters
    with ``distance_power``, so that it can cancel where the area or the reference has it too."""

    kerma_mgy: float
    basis: KermaBasis
    uncertainty: float
    distance_power: float
    calibration: CalibrationUse | None = None
    waveform: Waveform | None = None

    def air_kerma(self) -> AirKerma:
        return AirKerma(
            self.kerma_mgy,
            self.basis,
            combined_powers(
                (self.uncertainty, 1.0),
                (DISTANCE_RELATIVE_STANDARD_UNCERTAINTY, self.distance_power),
            ),
            self.calibration,
            self.waveform,
        )


def _at_reference(
    found: _Found | None, skin_mm: float | None, tube: TubeGeometry
) -> ReferenceKerma | None:
    """Bring a kerma to where doses are compared: the tube's own distance, or its cone's end."""
    distance_mm = tube.reference_distance_mm or tube.source_to_skin_mm
    if found is None or skin_mm is None or distance_mm is None:
        return None
    power = found.distance_power + 2.0
    if found.distance_power == 0.0 and skin_mm == distance_mm:
        power = 0.0  # told for that very point
    return ReferenceKerma(
        found.kerma_mgy * (skin_mm / distance_mm) ** 2,
        distance_mm,
        combined_powers((found.uncertainty, 1.0), (DISTANCE_RELATIVE_STANDARD_UNCERTAINTY, power)),
    )


def _told(
    value: float | None, technique: ExposureTechnique, quantity: str, notes: list[str]
) -> float | None:
    """Take a reported 0 for a delivered exposure as 'not told': some headers hold a bare 0."""
    if value == 0 and technique.exposure_ms != 0:
        notes.append(f"The device reported a {quantity} of 0, which is taken as not told.")
        return None
    return value


def _computed(
    technique: ExposureTechnique,
    tube: TubeGeometry,
    skin_mm: float | None,
    model: SpectrumModel | None,
    notes: list[str],
) -> _Found | None:
    """Compute kerma from the technique by calibration or model; else note what is missing."""
    kv, ma, ms = technique.tube_kv, technique.tube_current_ma, technique.exposure_ms
    if kv is None or ma is None or ms is None or skin_mm is None:
        told = {
            "tube_kv": kv,
            "tube_current_ma": ma,
            "exposure_ms": ms,
            "source_to_skin_mm": skin_mm,
        }
        missing = ", ".join(name for name, value in told.items() if value is None)
        notes.append(f"Kerma is unknown: {missing} not told.")
        return None
    output = choose_output(technique, tube, kv, model, notes)
    if output is None:
        return None
    kerma_mgy = incident_air_kerma_mgy(
        output_ugy_per_mas=output.ugy_per_mas,
        reference_distance_mm=output.distance_mm,
        tube_current_ma=ma,
        exposure_ms=ms,
        source_to_skin_mm=skin_mm,
    )
    return _Found(
        kerma_mgy, output.basis, output.uncertainty, -2.0, output.calibration, output.waveform
    )
