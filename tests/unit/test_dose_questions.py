"""A doubtful dose in the assessment of a study: marked, asked about once, in no sum."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from schemas.conclusions import DoseVerdict, StudyAssessed
from schemas.facts import ExposureEnded
from schemas.group import Site, Tube
from schemas.messages import invalid_input
from services.assessment.dose_rows import patient_dose
from services.assessment.explained_dose import dose_shown
from services.assessment.rulebook import RULEBOOK
from services.assessment.study import assess_room_day
from tests.room_facts import DAY, RULES, STUDY, exposure, image, order, site

CALIBRATION = {
    "name": "yearly-2026",
    "measured_on": "2026-01-12",
    "valid_until": "2026-03-02",
    "instrument": "invented meter",
    "reference_distance_mm": 200.0,
    "relative_standard_uncertainty": 0.05,
    "outputs": [{"tube_kv": 65.0, "output_ugy_per_mas": 900.0}],
}


def site_with(**tube: Any) -> Site:
    """The invented site, its generator's tube changed."""
    plain = site().model_dump(mode="json")
    plain["devices"][0]["tube"] |= tube
    return Site.model_validate_json(json.dumps(plain))


def assess(*told: dict[str, Any], where: Site | None = None) -> StudyAssessed:
    """Assess a study of as many exposures, each with its image 3 s later."""
    facts = [order()]
    for number, values in enumerate(told, start=1):
        facts += [exposure(number, 60.0 * number, **values), image(number, 60.0 * number + 3.0)]
    return assess_room_day(facts, where or site(), DAY, RULES)[STUDY]


def test_one_question_asks_about_all_exposures_with_the_same_slip() -> None:
    study = assess(
        {"reported_kerma_mgy": 1600.0},
        {"reported_kerma_mgy": 1.6},
        {"reported_kerma_mgy": 1650.0},
        {"reported_kerma_mgy": 1550.0},
    )
    asked = [question for question in study.questions if question.code == "kerma-implausible"]
    assert len(asked) == 1
    assert "told in µGy?" in asked[0].words
    assert "2 more" in asked[0].words
    keys = [one.exposure_key for one in study.exposures]
    assert set(asked[0].about) == {keys[0], keys[2], keys[3]}
    assert asked[0].rule in RULEBOOK
    assert set(asked[0].about) <= set(study.facts)


@pytest.mark.parametrize(("count", "more"), [(1, ""), (2, " The same of 1 more.")])
def test_a_question_says_of_how_many_more_it_is(count: int, more: str) -> None:
    study = assess(*[{"reported_kerma_mgy": 1600.0}] * count)

    (asked,) = [one for one in study.questions if one.code == "kerma-implausible"]

    first = study.exposures[0]
    assert asked.words == (
        f"Exposure of {first.occurred_at:%H:%M:%S} UTC: {first.doubts[0].words}{more}"
    )


def test_the_doubtful_exposure_is_shown_as_told_and_the_sum_says_what_it_leaves_out() -> None:
    study = assess({"reported_kerma_mgy": 1600.0}, {"reported_kerma_mgy": 1.6})
    wrong, right = study.exposures
    assert (wrong.kerma_mgy, wrong.kerma_doubtful, wrong.doubts[0].slips) == (
        1600.0,
        True,
        ("ugy-as-mgy",),
    )
    assert (right.kerma_doubtful, right.doubts) == (False, ())
    dose = study.dose
    assert (dose.exposures, dose.unknown_exposures, dose.doubtful_exposures) == (2, 0, 1)
    assert dose.kerma_mgy == 1.6
    assert dose.kerma_with_doubtful_mgy == pytest.approx(1601.6)
    assert dose.verdict is not DoseVerdict.WITHIN
    assert "1 exposure has a figure that a question asks about, in no sum" in dose.words


def test_a_kerma_is_shown_with_its_basis_and_its_marks() -> None:
    late = CALIBRATION | {"valid_until": "2026-03-01"}
    study = assess(
        {"reported_kerma_mgy": 1600.0},
        {"reported_kerma_mgy": 1.6},
        {},
        where=site_with(calibrations=[late]),
    )
    assert [dose_shown(one) for one in study.exposures] == [
        "1600.00 (device, doubtful)",
        "1.60 (device)",
        "0.76 (calibration, expired)",
    ]


def test_a_doubtful_kerma_leaves_the_patients_period_at_least_not_within() -> None:
    study = assess({"reported_kerma_mgy": 1600.0}, {"reported_kerma_mgy": 1.6})
    row = patient_dose(study)
    assert (row.exposures, row.unknown_exposures, row.kerma_mgy) == (2, 1, 1.6)


def test_a_study_without_a_doubt_has_one_sum_and_no_question() -> None:
    study = assess({"reported_kerma_mgy": 1.6}, {"reported_kerma_mgy": 1.5})
    assert study.dose.doubtful_exposures == 0
    assert study.dose.kerma_with_doubtful_mgy is None
    assert not [q for q in study.questions if q.code.endswith("-implausible")]


@pytest.mark.parametrize(
    ("also", "words"),
    [
        ({}, "With its uncertainty (k = 2) it may reach the notify level."),
        (
            {"reported_kerma_mgy": 1600.0},
            "With its uncertainty (k = 2) or with what is doubtful in it it may reach the alert",
        ),
    ],
)
def test_the_words_say_which_level_a_sum_may_reach_and_why(
    also: dict[str, float], words: str
) -> None:
    # given: 37.5 mGy of 40, or that and a figure in another unit
    study = assess(*[{"reported_kerma_mgy": 1.5}] * 25, also or {"reported_kerma_mgy": 0.8})

    assert words in study.dose.words


def test_a_figure_of_an_images_header_names_the_image_in_its_question() -> None:
    facts = [order(), exposure(1, 60.0), image(1, 63.0, kap_mgycm2=4500.0)]
    study = assess_room_day(facts, site(), DAY, RULES)[STUDY]
    asked = next(question for question in study.questions if question.code == "kap-implausible")
    assert any(key.startswith("image:") for key in asked.about)
    assert "dGy·cm²" in asked.words


def test_the_calibration_of_the_exposures_day_is_named_and_its_last_day_still_counts() -> None:
    study = assess({}, where=site_with(calibrations=[CALIBRATION]))
    [one] = study.exposures
    assert one.calibration is not None
    assert (one.calibration.name, one.calibration.expired) == ("yearly-2026", False)
    assert one.dose_basis == "calibration"
    assert one.kerma_mgy == pytest.approx(0.9 * 7.0 * 0.12)
    assert one.waveform is None


def test_an_expired_calibration_is_used_wider_and_said_to_be_expired() -> None:
    valid = assess({}, where=site_with(calibrations=[CALIBRATION]))
    late = CALIBRATION | {"valid_until": "2026-03-01"}
    expired = assess({}, where=site_with(calibrations=[late]))
    assert expired.exposures[0].calibration is not None
    assert expired.exposures[0].calibration.expired
    assert expired.exposures[0].kerma_mgy == valid.exposures[0].kerma_mgy
    assert expired.exposures[0].relative_uncertainty is not None
    assert valid.exposures[0].relative_uncertainty is not None
    assert expired.exposures[0].relative_uncertainty > 2 * valid.exposures[0].relative_uncertainty
    assert "'yearly-2026' had expired" in expired.dose.words


def test_waveform_and_reference_distance_of_the_tube_reach_the_conclusion() -> None:
    there = site_with(waveform="rectified", reference_distance_mm=400.0)
    [one] = assess({}, where=there).exposures
    assert (one.waveform, one.reference_distance_mm) == ("rectified", 400.0)
    assert one.kerma_mgy is not None
    assert one.kerma_at_reference_mgy == pytest.approx(one.kerma_mgy / 4.0)
    [unknown] = assess({}).exposures
    assert (unknown.waveform, unknown.reference_distance_mm) == ("constant_potential", 200.0)


@pytest.mark.parametrize(
    ("field", "value", "asked"),
    [
        ("tube_kv", 65_000.0, "; told in V?"),
        ("tube_current_ma", 7_000.0, "; told in µA?"),
        ("exposure_ms", 120_000.0, "; told in µs?"),
        ("set_exposure_ms", 120_000.0, "; told in µs?"),
        ("source_to_skin_mm", 0.0, "greater than 0"),
    ],
)
def test_what_no_exposure_can_have_is_refused_at_the_door_by_its_field_and_slip(
    field: str, value: float, asked: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        ExposureEnded.model_validate_json(json.dumps(ExposureEnded.EXAMPLES[0] | {field: value}))
    error = invalid_input(refused.value, "payload")
    assert error.field == f"payload.{field}"
    assert str(value) in str(error)
    assert asked in error.expected


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"set_exposure_ms": 0.12, "exposure_ms": 0.12}, "time-implausible"),
        ({"tube_kv": 0.065}, "kv-implausible"),
        ({"tube_current_ma": 0.007}, "current-implausible"),
        ({"source_to_skin_mm": 20.0}, "distance-implausible"),
        ({"exposure_mas": 840.0}, "charge-implausible"),
    ],
)
def test_a_slip_that_the_door_lets_in_is_asked_about(values: dict[str, Any], code: str) -> None:
    study = assess(values)
    assert code in {question.code for question in study.questions}
    assert study.exposures[0].kerma_doubtful or study.exposures[0].kerma_mgy is None
    assert study.dose.kerma_mgy == 0.0


SLIPS = [
    ("tube_kv", 1e3, "kv-implausible", "v-as-kv"),
    ("tube_current_ma", 1e3, "current-implausible", "ua-as-ma"),
    ("time", 1e-3, "time-implausible", "s-as-ms"),
    ("time", 1e3, "time-implausible", "us-as-ms"),
    ("source_to_skin_mm", 0.0, "distance-implausible", "zero-distance"),
    ("source_to_skin_mm", 0.1, "distance-implausible", "cm-as-mm"),
    ("exposure_mas", 1e3, "charge-implausible", "uas-as-mas"),
    ("reported_kerma_mgy", 1e3, "kerma-implausible", "ugy-as-mgy"),
    ("reported_kerma_mgy", 1e-3, "kerma-implausible", "gy-as-mgy"),
    ("reported_kap_mgycm2", 1e2, "kap-implausible", "mgycm2-as-dgycm2"),
    ("reported_kap_mgycm2", 1e-2, "kap-implausible", "dgycm2-as-mgycm2"),
    ("reported_kap_mgycm2", 1e-7, "kap-implausible", "gym2-as-mgycm2"),
]


@pytest.mark.parametrize("slip", [None, *SLIPS], ids=lambda one: one[3] if one else "none")
@settings(max_examples=8, deadline=None)
@given(
    kv=st.floats(55.0, 80.0),
    ma=st.sampled_from([2.0, 4.0, 7.0, 8.0]),
    ms=st.floats(20.0, 1200.0),
    skin_mm=st.floats(200.0, 350.0),
    off=st.floats(0.25, 3.0),
)
def test_any_single_slip_is_refused_by_its_field_or_asked_about_and_named(
    kv: float,
    ma: float,
    ms: float,
    skin_mm: float,
    off: float,
    slip: tuple[str, float, str, str] | None,
) -> None:
    # Given an exposure whose machine is off from the model as surveys found them, all of it told,
    where = site_with(waveform="rectified")
    plain = {"tube_kv": kv, "tube_current_ma": ma, "source_to_skin_mm": skin_mm}
    times = {"exposure_ms": ms, "set_exposure_ms": ms}
    [by_model] = assess(plain | times, where=where).exposures
    assert by_model.kerma_mgy is not None
    assert by_model.kap_mgycm2 is not None
    field, factor, code, name = slip or ("tube_kv", 1.0, "", "")
    told = plain | times
    told |= {
        "reported_kerma_mgy": by_model.kerma_mgy * off,
        "reported_kap_mgycm2": by_model.kap_mgycm2 * off,
    }
    if field not in {"time", "tube_current_ma"}:  # else the charge would be wrong as well
        told["exposure_mas"] = ma * ms / 1000.0
    # When one of its numbers is told in a wrong unit,
    wrong = tuple(times) if field == "time" else (field,)
    told |= {one: told[one] * factor for one in wrong}
    try:
        study = assess(told, where=where)
    except ValidationError as error:
        refused = str(error)
        study = None
    # Then the door refuses it by its field, or it is asked about, named, and in no sum unmarked.
    if study is None:
        assert any(one in refused for one in wrong)
        return
    asked = {q.code for q in study.questions if q.code.endswith("-implausible")}
    assert asked == ({code} if slip else set())
    if slip:
        assert study.exposures[0].doubts[0].slips[0] == name
    assert study.dose.doubtful_exposures == int(field.startswith("reported"))


def test_two_calibrations_of_one_day_are_refused() -> None:
    tube = Tube.EXAMPLES[0] | {"calibrations": [CALIBRATION, CALIBRATION | {"name": "other"}]}
    with pytest.raises(ValidationError, match="its own name and day"):
        Tube.model_validate_json(json.dumps(tube))
