"""What does not fit in what was told of one exposure, as questions to a person. Pure.

Settings are held against the range of dental sets, a reported kerma and area product against what
the settings give, both against each other and the collimator, a calibration against the model.
Nothing is corrected: a figure that rests on something doubtful is as told, marked, and in no sum.
"""

from dataclasses import replace

from schemas.outputs import SpectrumModel
from services.assessment.beam_geometry import area_at_skin_cm2, skin_distance_mm
from services.assessment.calibration import calibration_on
from services.assessment.calibration_doubt import calibration_question
from services.assessment.dose_doubt import NOT_CHANGED, Doubt, asked
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma import ExposureKerma
from services.assessment.plausible_ranges import expected_of
from services.assessment.reported_doubts import ToldFigures, against_each_other, against_settings
from services.assessment.setting_doubts import setting_doubts


def doubts_of(
    technique: ExposureTechnique,
    tube: TubeGeometry,
    model: SpectrumModel | None,
    found: ExposureKerma,
) -> tuple[Doubt, ...]:
    """Give every question about one exposure; none where all fits.

    Reported figures are held against the settings only where nothing is odd about those, and
    against the model where the calibration is odd.
    """
    told = ToldFigures.of(technique, found)
    doubts = list(setting_doubts(technique, tube, model, told))
    odd = _calibration(technique, tube, model, found)
    figures: list[Doubt] = []
    if not doubts and (told.kerma is not None or told.kap is not None):
        witness = replace(tube, calibrations=()) if odd is not None else tube
        expected = expected_of(technique, witness, model)
        figures += against_settings(told, expected) if expected is not None else ()
    if odd is not None and (odd.of_kerma or odd.of_kap):
        doubts.append(odd)
    by_distance = any(doubt.code == "distance-implausible" for doubt in doubts)
    area = None if by_distance else area_at_skin_cm2(tube, skin_distance_mm(technique, tube))
    return (*doubts, *against_each_other(told, figures, area))


def _calibration(
    technique: ExposureTechnique,
    tube: TubeGeometry,
    model: SpectrumModel | None,
    found: ExposureKerma,
) -> Doubt | None:
    """Ask about the calibration of the exposure's day, and say which figures rest on it."""
    use = calibration_on(tube.calibrations, technique.on)
    question = calibration_question(use.calibration, tube, model) if use is not None else None
    if question is None:
        return None
    suspected, words = question
    by_it = found.kerma is not None and found.kerma.calibration is not None
    return Doubt(
        "calibration-implausible",
        tuple(slip.name for slip in suspected),
        f"{words} {asked(suspected)} {NOT_CHANGED}",
        of_kerma=by_it,
        of_kap=by_it and not technique.reported_kap_mgycm2,
    )
