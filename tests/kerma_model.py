"""What our table of tube outputs says, at 1 m, for the suites that hold it against others."""

from schemas.outputs import KnownWaveform, Waveform, load_spectrum_model
from services.assessment.tube_output import model_output

MODEL = load_spectrum_model()
WAVES: tuple[KnownWaveform, ...] = ("constant_potential", "rectified")


def model_ugy_per_mas(
    tube_kv: float,
    filtration_mm_al: float,
    anode_angle_degrees: float = 20.0,
    waveform: Waveform = "constant_potential",
) -> float:
    """Read the model at 1 m."""
    return model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
        waveform=waveform,
    ).kerma_ugy_per_mas
