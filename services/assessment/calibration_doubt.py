"""A site calibration against the model of its tube: is it about what such a tube gives?"""

import math
from functools import lru_cache

from schemas.outputs import OutputGrid, SpectrumModel, Waveform
from schemas.tube_calibration import TubeCalibration
from services.assessment.calibration import SameCalibration
from services.assessment.dose_doubt import is_far
from services.assessment.dose_slips import OUTPUT, Slip, explaining
from services.assessment.exposure_technique import TubeGeometry
from services.assessment.kerma_uncertainty import MODEL_RELATIVE_STANDARD_UNCERTAINTY, log_deviation
from services.assessment.tube_output import OutOfRange, known_wave, model_curves


def calibration_question(
    calibration: TubeCalibration, tube: TubeGeometry, model: SpectrumModel | None
) -> tuple[tuple[Slip, ...], str] | None:
    """Ask about a calibration that lies outside the model's interval (k = 3), with what the slip
    may be; ``None`` where it fits or the model does not reach the tube."""
    filtration, angle = tube.filtration_mm_al, tube.anode_angle_degrees
    if model is None or filtration is None or angle is None:
        return None
    return _question(SameCalibration(calibration), model.grid, tube.waveform, filtration, angle)


@lru_cache(maxsize=1024)
def _question(
    same: SameCalibration, grid: OutputGrid, waveform: Waveform, filtration: float, angle: float
) -> tuple[tuple[Slip, ...], str] | None:
    calibration = same.calibration
    try:
        curve, _ = model_curves(grid, known_wave(waveform), filtration, angle)
    except OutOfRange:
        return None
    to_model = (calibration.reference_distance_mm / grid.reference_distance_mm) ** 2
    deviation = log_deviation(MODEL_RELATIVE_STANDARD_UNCERTAINTY[waveform])
    worst: tuple[float, float, float] | None = None
    for point in calibration.outputs:
        if not curve.lowest_kv <= point.tube_kv <= curve.highest_kv:
            continue
        ratio = point.output_ugy_per_mas * to_model / curve.read(point.tube_kv)
        if worst is None or abs(math.log(ratio)) > abs(math.log(worst[0])):
            worst = ratio, point.tube_kv, point.output_ugy_per_mas
    if worst is None or not is_far(math.log(worst[0]), deviation):
        return None
    ratio, tube_kv, output = worst
    words = (
        f"The calibration '{calibration.name}' tells {output:.3g} µGy per mAs at {tube_kv:g} kV "
        f"and {calibration.reference_distance_mm:g} mm, where the model of the tube gives "
        f"{output / ratio:.3g}: its unit or its distance?"
    )
    return explaining(math.log(ratio), deviation, OUTPUT), words
