"""Which output of the tube serves an exposure: a site calibration, else the model."""

from dataclasses import dataclass
from enum import StrEnum

from schemas.outputs import SpectrumModel, Waveform
from services.assessment.calibration import (
    CalibrationUse,
    calibrated_output_ugy_per_mas,
    calibrated_uncertainty,
    calibration_notes,
    calibration_on,
)
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma_uncertainty import MODEL_RELATIVE_STANDARD_UNCERTAINTY
from services.assessment.tube_output import OutOfRange, known_wave, model_output


class KermaBasis(StrEnum):
    """Where a dose value comes from, the preferred first."""

    DEVICE = "device"
    CALIBRATION = "calibration"
    MODEL = "model"


@dataclass(frozen=True, slots=True)
class ChosenOutput:
    """Output in µGy per mAs at ``distance_mm`` from focus, and its uncertainty (relative, k = 1)
    for one exposure at the settings told."""

    ugy_per_mas: float
    distance_mm: float
    basis: KermaBasis
    uncertainty: float
    calibration: CalibrationUse | None = None
    waveform: Waveform | None = None


def choose_output(
    technique: ExposureTechnique,
    tube: TubeGeometry,
    kv: float,
    model: SpectrumModel | None,
    notes: list[str],
) -> ChosenOutput | None:
    """Read the calibration of the day, else the model; ``notes`` gets what a reader should know."""
    return _calibrated(technique, tube, kv, notes) or _modelled(tube, kv, model, notes)


def _calibrated(
    technique: ExposureTechnique, tube: TubeGeometry, kv: float, notes: list[str]
) -> ChosenOutput | None:
    if not tube.calibrations:
        return None
    use = calibration_on(tube.calibrations, technique.on)
    if use is None:
        notes.append("No site calibration was measured on or before the exposure's day.")
        return None
    try:
        output = calibrated_output_ugy_per_mas(use.calibration, tube_kv=kv)
    except OutOfRange as error:
        notes.append(f"The site calibration '{use.calibration.name}' does not serve ({error}).")
        return None
    notes += calibration_notes(use)
    return ChosenOutput(
        output,
        use.calibration.reference_distance_mm,
        KermaBasis.CALIBRATION,
        calibrated_uncertainty(use, tube_kv=kv),
        calibration=use,
    )


def _modelled(
    tube: TubeGeometry, kv: float, model: SpectrumModel | None, notes: list[str]
) -> ChosenOutput | None:
    if model is None:
        notes.append("Kerma is unknown: no calibration serves and no output model is given.")
        return None
    filtration, angle = tube.filtration_mm_al, tube.anode_angle_degrees
    if filtration is None or angle is None:
        told = {"filtration_mm_al": filtration, "anode_angle_degrees": angle}
        missing = ", ".join(name for name, value in told.items() if value is None)
        notes.append(f"Kerma is unknown: {missing} of the tube not known.")
        return None
    try:
        output = model_output(
            model,
            tube_kv=kv,
            filtration_mm_al=filtration,
            anode_angle_degrees=angle,
            waveform=tube.waveform,
        )
    except OutOfRange as error:
        notes.append(f"Kerma is unknown: outside the output model ({error}).")
        return None
    if tube.waveform == "unknown":
        notes.append(
            "The tube's waveform is not known, so the output model is read for constant "
            "potential; a rectified tube gives about half of it."
        )
    return ChosenOutput(
        output.kerma_ugy_per_mas,
        model.reference_distance_mm,
        KermaBasis.MODEL,
        MODEL_RELATIVE_STANDARD_UNCERTAINTY[tube.waveform],
        waveform=known_wave(tube.waveform),
    )
