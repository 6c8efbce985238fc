"""What assessment adds to ``gomphosis check``: is each listed X-ray set's beam hard enough."""

from collections.abc import Iterable

from schemas.errors import InvalidInput
from schemas.group import Group, Tube
from schemas.outputs import SpectrumModel, load_spectrum_model
from services.assessment.beam_quality import hvl_warning
from services.assessment.tube_output import model_output
from services.runtime.checks import Verdict
from services.runtime.settings import Settings

USUAL_KV = (60.0, 65.0, 70.0)
"""Where no calibration names the tube potentials in use (common practice, no published source)."""


def check_assessment(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Give one verdict for each generator that has a tube, at the potentials it is used with."""
    del settings
    model = load_spectrum_model()
    for site in group.sites:
        for device in site.generators():
            if device.tube is not None:
                yield _verdict(f"beam of {site.name} {device.name}", device.tube, model)


def _verdict(name: str, tube: Tube, model: SpectrumModel) -> Verdict:
    measured = {one.tube_kv for told in tube.calibrations for one in told.outputs}
    warnings = []
    for tube_kv in sorted(measured) or USUAL_KV:
        try:
            output = model_output(
                model,
                tube_kv=tube_kv,
                filtration_mm_al=tube.total_filtration_mm_al,
                anode_angle_degrees=tube.anode_angle_degrees,
                waveform=tube.waveform,
            )
            warning = hvl_warning(tube_kv, output.hvl_mm_al)
        except InvalidInput as error:
            return Verdict(name, True, f"not judged: {error}")
        if warning is not None:
            warnings.append(warning)
    if warnings:
        return Verdict(name, False, f"{warnings[0]} (by the spectrum model; nothing was measured)")
    return Verdict(name, True, "hard enough by the spectrum model; nothing was measured")
