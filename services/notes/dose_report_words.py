"""The comments of a dose report: the basis of its figures, their uncertainty, what is missing."""

from collections.abc import Sequence

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
    if one.use is ExposureUse.ENDED_EARLY:
        parts.append(f"Released early: {one.set_exposure_ms:g} ms were set.")
    if one.use is ExposureUse.PROPOSED:
        parts.append("That it belongs to this study waits for a person to confirm.")
    if one.repeat:
        parts.append("A repeat.")
    parts.append(f"Known here as {one.exposure_key}.")
    return " ".join(parts)


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
    for quantity, missing in (
        ("kerma", sum(one.kerma_mgy is None for one in exposures)),
        ("kerma-area product", sum(one.kap_mgycm2 is None for one in exposures)),
    ):
        if missing:
            parts.append(
                f"{missing} of {len(exposures)} exposures have no {quantity} and are in no sum."
            )
    return " ".join([*parts, CAUTION])
