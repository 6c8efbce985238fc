"""The draft: what stands in it, what is left to the vet, and what never stands in it."""

import json
from typing import Any

import pytest

from schemas.conclusions import (
    Concern,
    DoseBasis,
    ExposureUse,
    ImageUse,
    NoteSection,
    PatientPeriodDose,
    PlannedDose,
    QualityHint,
    Question,
    RepeatFound,
    RepeatKind,
    StudyAssessed,
    StudyState,
    TechniqueFinding,
    ViewStatus,
)
from schemas.note_layout import PARTS, region_of
from services.notes.draft import draft
from services.notes.wording import MAX_SECTION_CHARACTERS, bounded
from tests.assessed import DOSE, GROUP, assessed, exposure, image, view

SITE = GROUP.site("north")


def _text(study: StudyAssessed, section: str) -> str:
    return _sections(study)[section].text


def _sections(study: StudyAssessed) -> dict[str, NoteSection]:
    return {one.section: one for one in draft(study, SITE)}


def test_the_sections_stand_in_their_order_and_only_the_vets_are_empty() -> None:
    sections = draft(assessed(images=[image(1)], views=(view(1),)), SITE)

    names = [one.section for one in sections]
    assert names == [part.name for part in PARTS if part.name in names]
    assert [one.section for one in sections if one.for_vet] == [
        "findings-mandible-left",
        "interpretation",
    ]
    assert all(bool(one.text) != one.for_vet for one in sections)


def test_a_prompt_stands_for_each_region_that_was_planned_or_shown() -> None:
    study = assessed(
        images=[image(1, ImageUse.EXTRA, teeth=(108,))], views=(view(1, teeth=(204, 304)),)
    )

    prompts = [name for name in _sections(study) if name.startswith("findings-")]

    assert prompts == ["findings-maxilla-right", "findings-maxilla-left", "findings-mandible-left"]


@pytest.mark.parametrize(
    ("tooth", "region"),
    [
        (101, "maxilla-right"),
        (211, "maxilla-left"),
        (311, "mandible-left"),
        (401, "mandible-right"),
        (504, "maxilla-right"),
        (804, "mandible-right"),
    ],
)
def test_a_tooth_belongs_to_the_quadrant_of_its_number(tooth: int, region: str) -> None:
    assert region_of(tooth) == region


def test_the_animal_is_named_and_its_owner_is_not() -> None:
    pepper = assessed().patient
    assert pepper is not None
    owned = pepper.model_copy(update={"responsible_person": "Invented Owner"})

    text = "".join(one.text for one in draft(assessed(patient=owned), SITE))

    assert "Invented Pepper, dog" in text
    assert "P-1001" in text
    assert "Owner" not in text


def test_anaesthesia_says_who_confirmed_it_or_that_nobody_did() -> None:
    confirmed = assessed(anaesthesia_confirmed_by="tech-1")

    assert "by Invented Technician (tech-1)" in _text(confirmed, "anaesthesia")
    assert "not recorded" in _text(assessed(), "anaesthesia")


def test_views_tell_teeth_and_reason_of_what_was_and_was_not_obtained() -> None:
    study = assessed(
        views=(
            view(1, ViewStatus.MISSING),
            view(2, teeth=(304,)),
            view(3, ViewStatus.EXCUSED, words="Patient woke early."),
        )
    )

    lines = _text(study, "views").splitlines()

    assert lines == [
        "1 of 3 planned views obtained (dog, left lower jaw).",
        "invented view 2 (tooth 304): obtained; shown by one image.",
        "invented view 1 (teeth 309, 310, 311): not obtained; no image yet.",
        "invented view 3 (teeth 309, 310, 311): not obtained, excused; Patient woke early.",
    ]


def test_technique_tells_manual_settings_and_the_clock_of_the_site() -> None:
    study = assessed(
        exposures=(
            exposure(1, preset="cheek-lower", operator="tech-1"),
            exposure(2, manual_setting=True),
            exposure(3, ExposureUse.ENDED_EARLY, exposure_ms=20.0),
        )
    )

    lines = _text(study, "technique").splitlines()

    assert lines[0] == "Exposures: 3; with manual settings: 1."
    # 09:21 UTC is 10:21 in Vienna in winter.
    assert lines[1] == (
        "10:21:00: 65 kV, 7 mA, 120 ms, preset cheek-lower, by Invented Technician (tech-1)."
    )
    assert "manual setting" in lines[2]
    assert "20 ms" in lines[3]
    assert "ended early, 120 ms were set" in lines[3]


def test_repeats_and_rejected_images_are_told_with_their_reasons() -> None:
    study = assessed(
        images=[
            image(1, ImageUse.REPEAT, words="apex was cut off"),
            image(2, ImageUse.REJECTED, words="moved"),
        ],
        exposures=(exposure(3, ExposureUse.ENDED_EARLY),),
    )

    assert _text(study, "repeats").splitlines() == [
        "10:21:00: repeat; apex was cut off.",
        "10:22:00: image rejected; moved.",
        "10:23:00: exposure ended early.",
    ]
    assert _text(assessed(images=[image(1)]), "repeats") == "None."


def test_dose_tells_value_basis_uncertainty_and_that_comparators_are_human() -> None:
    text = _text(assessed(), "dose")

    assert "3.2 mGy" in text
    assert "90 mGy·cm²" in text
    assert "modelled from the settings" in text
    assert "25 % of the value" in text
    assert "within; 3.2 mGy of 40 mGy" in text
    assert text.endswith("They are no limits for animals.")


def test_repeats_and_early_ends_the_plan_and_the_period_stand_beside_the_sum() -> None:
    told = {
        "repeats": 1,
        "kerma_repeats_mgy": 1.6,
        "kap_repeats_mgycm2": 45.0,
        "ended_early": 2,
        "kerma_ended_early_mgy": 0.2,
        "planned": PlannedDose.model_validate_json(json.dumps(PlannedDose.EXAMPLES[0])),
        "patient_period": PatientPeriodDose.model_validate_json(
            json.dumps(PatientPeriodDose.EXAMPLES[0])
        ),
    }
    text = _text(assessed(dose=DOSE.model_copy(update=told)), "dose")
    assert "Of it for repeats (1): 1.6 mGy, 45 mGy·cm²." in text
    assert "Of it for exposures ended early (2): 0.2 mGy." in text
    assert "Planned: The chart (invented) expects 24 mGy for 14 views." in text
    assert "Expected of the views obtained so far: 22 mGy; given" in text
    assert "All studies of this patient here from 2025-03-03 on: 2; exposures 3; 4.8 mGy" in text
    assert "Standard uncertainty (k = 1): 90 % of the value." in text
    assert "Over the period: within; 2 studies in 365 days: 4.8 of 120 mGy." in text
    assert "charge" not in text.lower()


@pytest.mark.parametrize(
    ("count", "kerma_mgy", "line"),
    [(0, 0.0, None), (0, 1.6, "Of it for repeats: 1.6 mGy."), (2, 0.0, "Of it for repeats (2): 0")],
)
def test_repeats_are_told_where_there_are_any_or_any_dose_of_them(
    count: int, kerma_mgy: float, line: str | None
) -> None:
    told = {"repeats": count, "kerma_repeats_mgy": kerma_mgy}
    lines = _text(assessed(dose=DOSE.model_copy(update=told)), "dose").splitlines()
    found = [one for one in lines if one.startswith("Of it for")]
    assert [one.startswith(line or "") for one in found] == ([True] if line else [])


def test_before_the_first_exposure_the_period_is_told_already() -> None:
    period = PatientPeriodDose.model_validate_json(json.dumps(PatientPeriodDose.EXAMPLES[0]))
    none = {"exposures": 0, "kerma_mgy": 0.0, "patient_period": period}
    text = _text(assessed(dose=DOSE.model_copy(update=none)), "dose")
    assert "no dose can be told" in text
    assert "Over the period: within" in text


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"exposures": 0, "kerma_mgy": 0.0}, "no dose can be told"),
        ({"unknown_exposures": 2}, "Exposures: 2; none has a dose figure"),
        ({"unknown_exposures": 1}, "without a dose figure, in no sum: 1."),
        ({"relative_uncertainty": None}, "Uncertainty: not known"),
        ({"kerma_repeats_mgy": 1.6}, "for repeats: 1.6 mGy"),
        ({"basis": (DoseBasis.DEVICE, DoseBasis.CALIBRATION)}, "device, from the site's calib"),
    ],
)
def test_a_dose_that_is_not_fully_known_says_so(values: dict[str, Any], words: str) -> None:
    text = _text(assessed(dose=DOSE.model_copy(update=values)), "dose")

    assert words in text
    assert "no limits for animals" in text


def test_a_doubtful_kerma_is_counted_in_no_sum_of_the_note() -> None:
    study = assessed(
        exposures=(
            exposure(1, kerma_mgy=1.6),
            exposure(2, kerma_mgy=1600.0, kerma_doubtful=True),
        ),
        dose=DOSE.model_copy(update={"doubtful_exposures": 1, "kerma_mgy": 1.6}),
    )
    text = _text(study, "dose")

    assert "Exposures in the sum: 1." in text
    assert "from 1.6 to 1.6 mGy" in text


def test_limitations_name_the_teeth_that_nothing_can_be_said_about() -> None:
    study = assessed(
        views=(view(1),),
        teeth_without_view=(310, 309),
        absent_teeth=(305,),
        still_missing=("left mandibular molars",),
        questions=(Question(code="which-view", words="Which view is this image?"),),
    )

    text = _text(study, "limitations")

    assert "Without a diagnostic view: teeth 309, 310." in text
    assert "neither show nor rule out" in text
    assert "Charted as absent: tooth 305." in text
    assert "Still missing: left mandibular molars." in text
    assert "Which view is this image?" in text


def test_images_whose_exposure_is_not_sure_are_named() -> None:
    sure = exposure(1, sop_instance_uid="2.25.2001")
    waiting = exposure(2, ExposureUse.PROPOSED)
    study = assessed(
        images=[
            image(1, exposure_key=sure.exposure_key, link_confidence=0.99),
            image(2, exposure_key=waiting.exposure_key, link_confidence=0.5),
            image(3),
        ],
        exposures=(sure, waiting),
    )

    lines = _text(study, "unsure-links").splitlines()

    assert len(lines) == 2
    assert "2.25.2002 has an exposure that waits for a person to confirm, 50% sure" in lines[0]
    assert "2.25.2003 has no exposure" in lines[1]


def test_the_closing_cautions_say_that_it_is_no_diagnosis() -> None:
    text = _text(assessed(), "cautions")

    assert text.startswith(
        "Draft made from device data. Not a diagnosis. "
        "To be corrected and signed by a licensed vet."
    )


def test_no_charge_and_no_account_stands_in_a_note() -> None:
    study = assessed(
        images=[image(1)], views=(view(1),), state=StudyState.COMPLETE, account="ACC-77"
    )

    text = " ".join(f"{one.title} {one.text}" for one in draft(study, SITE)).lower()

    assert not {"acc-77", "eur", "charge", "price", "tariff"} & set(text.replace(",", " ").split())


def test_the_order_in_which_images_and_exposures_are_told_changes_nothing() -> None:
    images = [image(1, ImageUse.REPEAT), image(2), image(3, ImageUse.REJECTED)]
    exposures = (exposure(1), exposure(2, manual_setting=True))

    one = draft(assessed(images=images, exposures=exposures), SITE)
    other = draft(assessed(images=images[::-1], exposures=exposures[::-1]), SITE)

    assert one == other


def test_a_very_long_section_is_cut_and_says_so() -> None:
    exposures = tuple(exposure(number) for number in range(1, 400))

    text = _text(assessed(exposures=exposures), "technique")

    assert len(text) < MAX_SECTION_CHARACTERS + 100
    assert "more lines are left out" in text


def test_a_line_too_long_to_keep_is_counted_as_left_out() -> None:
    assert bounded(["x" * 7_000, "short"]).startswith("(2 more lines are left out")


def test_findings_hints_and_repeats_stand_in_the_draft_with_their_time() -> None:
    made = exposure(1)
    study = assessed(
        images=[image(1), image(2, ImageUse.REPEAT)],
        exposures=(made,),
        technique=(
            TechniqueFinding(
                code="off-preset",
                exposure_key=made.exposure_key,
                concern=Concern.CHECK,
                words="Differs from the chart.",
                rule="technique-chart",
            ),
        ),
        quality=(
            QualityHint(
                code="deviation-over",
                sop_instance_uid="2.25.2001",
                concern=Concern.NOTE,
                words="Deviation index +1.8.",
                rule="deviation-index-bands",
            ),
        ),
        repeats=(
            RepeatFound(
                kind=RepeatKind.SAME_VIEW_TWICE,
                view="view-1",
                first="2.25.2001",
                again="2.25.2002",
                seconds_between=60.0,
                words="Invented view: taken again.",
                rule="repeat-of-view",
            ),
        ),
    )

    technique = _text(study, "technique").splitlines()

    assert "10:21:00: Differs from the chart." in technique
    assert "Image of 10:21:00, hint: Deviation index +1.8." in technique
    assert "Invented view: taken again." in _text(study, "repeats")
