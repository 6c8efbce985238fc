"""The comments of a dose report: the basis of its figures, their uncertainty, what is missing."""

from collections.abc import Iterator, Sequence

from schemas.conclusions import DoseBasis, ExposureResult, ExposureUse

CAUTION = (
    "Estimated beam quantities: no measurement on the patient and not a dosimeter. "
    "The local code and licensed practice decide."
)
_BASIS = {
    DoseBasis.DEVICE: "reported by the device",
    DoseBasis.CALIBRATION: "from the site's calibration",
    DoseBasis.MODEL: "modelled from the settings",
    DoseBasis.UNKNOWN: "unknown",
}


def event_comment(one: ExposureResult) -> str:
    """Say of one exposure what no coded item of the template holds."""
    parts = [f"Basis of the dose: {_BASIS[one.dose_basis]}."]
    if one.relative_uncertainty is not None:
        parts.append(
            f"Relative standard uncertainty (k = 1): {100 * one.relative_uncertainty:.0f} %."
        )
    if one.calibration is not None:
        expired = ", expired by then" if one.calibration.expired else ""
        parts.append(
            f"Calibration {one.calibration.name}, measured {one.calibration.measured_on}{expired}."
        )
    if one.waveform is not None:
        parts.append(f"Model for {one.waveform.replace('_', ' ')}.")
    parts += _doubtful(one)
    if one.use is ExposureUse.ENDED_EARLY:
        parts.append(f"Released early: {one.set_exposure_ms:g} ms were set.")
    if one.use is ExposureUse.PROPOSED:
        parts.append("That it belongs to this study waits for a person to confirm.")
    if one.repeat:
        parts.append("A repeat.")
    parts.append(f"Known here as {one.exposure_key}.")
    return " ".join(parts)


def _doubtful(one: ExposureResult) -> Iterator[str]:
    """Tell the figures that a question asks about, as they were told."""
    for doubtful, value, name, unit in (
        (one.kerma_doubtful, one.kerma_mgy, "kerma", "mGy"),
        (one.kap_doubtful, one.kap_mgycm2, "kerma-area product", "mGy·cm²"),
    ):
        if doubtful:
            yield f"DOUBTFUL, a person is asked: {name} as told {value:.4g} {unit}, in no sum."


def whole_comment(exposures: Sequence[ExposureResult]) -> str:
    """Say what the sums are, on what they rest, and what is in none of them."""
    bases = sorted({_BASIS[one.dose_basis] for one in exposures})
    uncertain = [one.relative_uncertainty for one in exposures if one.relative_uncertainty]
    parts = [
        "Incident air kerma at the skin, without backscatter; its sum adds different fields of "
        "skin and is an index only.",
        f"Basis of the figures: {'; '.join(bases)}.",
    ]
    if uncertain:
        parts.append(
            f"Largest relative standard uncertainty (k = 1) of an exposure: "
            f"{100 * max(uncertain):.0f} %."
        )
    doubtful = sum(one.kerma_doubtful or one.kap_doubtful for one in exposures)
    if doubtful:
        parts.append(
            f"{doubtful} of {len(exposures)} exposures have a doubtful figure that a person is "
            "asked about; it is in no sum."
        )
    for quantity, missing in (
        ("kerma", sum(one.kerma_mgy is None for one in exposures)),
        ("kerma-area product", sum(one.kap_mgycm2 is None for one in exposures)),
    ):
        if missing:
            parts.append(
                f"{missing} of {len(exposures)} exposures have no {quantity} and are in no sum."
            )
    return " ".join([*parts, CAUTION])
