"""Every rule that a conclusion names, in a sentence. Shown by ``gomphosis study --why``."""

from typing import Final

RULEBOOK: Final[dict[str, str]] = {
    # Views
    "view-done": "A view is done when an image that nobody rejected shows it; the latest counts.",
    "view-done-by-alternative": "The plan accepts another view in its place, and that is done.",
    "view-excused": "A person excused the view and said why.",
    "view-of-absent-teeth": "Every tooth of the view is charted absent, so it is asked for no more "
    "(common practice, no published source).",
    "view-waits-for-person": "An image may show the view, and only a person can say.",
    "view-only-rejected": "Every image of the view was rejected.",
    "view-has-no-image": "No image shows the view.",
    # Images
    "image-rejected": "A rejected image counts for dose and never for coverage.",
    "image-in-doubt": "Something speaks against the image; it counts for nothing until a person "
    "assigns it.",
    "image-ambiguous": "Its teeth fit several views equally well; nothing is guessed.",
    "image-contradictory": "It claims a view and names other teeth; nothing is guessed.",
    "image-nothing-told": "It names neither view nor teeth.",
    "image-beyond-plan": "It fits no planned view; its teeth count as shown all the same.",
    "latest-image-counts": "Of several images of a view the latest that is not rejected counts.",
    "view-assigned": "A person's word outranks what an image claims.",
    "view-as-image-claims": "An image counts for the view that it claims, unless its teeth differ.",
    "view-by-teeth": "An image that shows every present tooth of one best-fitting view counts "
    "for it.",
    # Links
    "link-accepted": "Time after the clocks are aligned, settings and teeth agree well enough to "
    "link without a person.",
    "link-decided": "A person decided which exposure made the image.",
    "link-in-step-order": "A performed step tells its exposures in order and without times; order, "
    "settings and study agree well enough to link without a person.",
    "link-proposed": "The likeliest exposure, not certain enough to link without a person.",
    "exposure-ended-early": "It was released before its set time, and no image followed: dose "
    "counts, charge does not.",
    "exposure-without-image": "No image fits it; the images around it are all of this study.",
    # What a room-day holds that no study has
    "test-exposure": "A test exposure is of no patient.",
    "exposure-of-no-study": "An exposure without image belongs to the study whose images stand on "
    "both sides of it, or quite near on one; where that is not plain it belongs to none.",
    "plate-without-scan": "The images near a plate's exposure in time are not of its plate; it "
    "waits for its scan.",
    "exposure-told-twice": "What may be another telling of an exposure stands in no sum until a "
    "person has said.",
    "image-without-exposure": "No exposure told in the room fits the image by time, settings and "
    "teeth.",
    # Technique
    "size-rule": "The site's rule for the generator's size setting.",
    "preset-group": "A preset is for the teeth of its group in the site's data.",
    "sensor-of-image": "The sensor told with the exposure is the one that the image names.",
    "receptor-of-sensor": "The receptor set at the generator is the kind that the sensor is.",
    "receptor-size-of-plan": "The plan says which receptor size a view is taken with.",
    "technique-chart": "The site's technique chart says what a preset sets.",
    "manual-change-holds-once": "A change by hand holds for one exposure; the next is back at its "
    "preset (common practice, no published source).",
    # Quality
    "deviation-index-recomputed": "DI = 10 · log10(EI / target EI), IEC 62494-1, adapted.",
    "deviation-index-bands": "The published action bands in schemas/quality, adapted.",
    "pixel-statistics": "Shares of black, white and blank border, compared with invented images.",
    # Repeats
    "repeat-after-reject": "An image of a view follows a rejected one of it.",
    "repeat-within-seconds": "An image of a view follows another of it within a minute.",
    "repeat-of-view": "An image of a view follows another of it that nobody rejected.",
    "repeat-after-early-end": "The next exposure after one that ended early, at the same preset.",
    # Questions
    "preset-side": "A preset for one side and an image of the other cannot both be right.",
    "patients-interleaved": "Images of two patients alternate on one station within one sitting.",
    "patient-differs": "The image's patient, after merges, is not the ordered one.",
    "species-differs": "The image's species is not that of the ordered patient.",
    "tooth-not-of-species": "The species has no such tooth, permanent or deciduous.",
    "laterality-differs": "The side marked on the image is not that of its teeth.",
    "image-without-order": "No order names this study.",
    "plan-unknown": "The site has no plan of the code that the order names.",
    "plan-of-other-species": "The plan's species is not the patient's.",
    "plan-against-age": "By the ages of eruption the animal has other teeth than the plan's.",
    "several-orders": "More than one order names this study.",
    "imaged-though-cancelled": "A cancelled order has images or exposures.",
    "image-from-elsewhere": "The image was made in another room or on another day, and nobody said "
    "that no exposure told here made it.",
    "kv-implausible": "The tube potential is far outside what the model of dental tubes covers.",
    "current-implausible": "No dental set has such a tube current (common practice, no published "
    "source).",
    "time-implausible": "No dental exposure has such a time (common practice, no published "
    "source).",
    "charge-implausible": "The mAs told are not the product of current and time.",
    "distance-implausible": "The skin can be neither inside the cone nor far away from it.",
    "kerma-implausible": "The kerma told is more than three standard deviations from what the "
    "settings give.",
    "kap-implausible": "The area product told is more than three standard deviations from what "
    "settings and collimator give.",
    "area-implausible": "Area product over kerma is a field that the collimator does not have.",
    "calibration-implausible": "The calibration is more than three standard deviations from the "
    "model of its tube.",
    "generator-serial-differs": "The exposure's generator serial is not the listed one.",
    "station-serial-differs": "The image's device serial is not the listed one of its station.",
    "detector-not-listed": "The image's detector id is that of no listed sensor.",
    "withdrawal-without-effect": "Only a person's decision can be withdrawn.",
}


def rule_words(rule: str | None) -> str:
    """Say a rule in its sentence; an unknown one, of a newer or older version, by its name."""
    if rule is None:
        return "not told"
    return RULEBOOK.get(rule, rule.replace("-", " "))
