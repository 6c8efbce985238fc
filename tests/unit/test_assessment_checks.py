"""`gomphosis check` says where a listed X-ray set's beam is softer than codes ask."""

from pathlib import Path

import pytest

from schemas.group import Group, Tube, load_group
from services.assessment.checks import check_assessment
from services.runtime.settings import Settings

DEMO_GROUP = Path(__file__).parents[2] / "demo" / "group"


def group_with(**changed: object) -> Group:
    """Give the demo's group, its generators' tubes changed and without calibrations."""
    group = load_group(DEMO_GROUP)
    sites = []
    for site in group.sites:
        devices = [
            device.model_copy(update={"tube": Tube.model_validate(TUBE | changed)})
            if device.tube is not None
            else device
            for device in site.devices
        ]
        sites.append(site.model_copy(update={"devices": tuple(devices)}))
    return group.model_copy(update={"sites": tuple(sites)})


TUBE = {
    "total_filtration_mm_al": 2.0,
    "anode_angle_degrees": 16.0,
    "source_to_skin_mm": 200.0,
    "field_diameter_mm": 60.0,
    "waveform": "constant_potential",
}


def test_the_demos_sets_are_judged_by_the_potentials_of_their_calibrations() -> None:
    verdicts = list(check_assessment(Settings(), load_group(DEMO_GROUP)))

    assert verdicts
    assert all(verdict.good for verdict in verdicts), verdicts


def test_a_beam_with_too_little_filtration_is_named_with_what_to_do() -> None:
    # REFERENCE.md: the model's 60 kV with 1.5 mm Al has 1.44 to 1.47 mm Al, codes ask 1.5.
    verdicts = list(check_assessment(Settings(), group_with(total_filtration_mm_al=1.5)))

    assert verdicts
    for verdict in verdicts:
        assert not verdict.good
        assert "At 60 kV" in verdict.words
        assert "Have the filtration checked" in verdict.words


@pytest.mark.parametrize("changed", [{}, {"total_filtration_mm_al": 2.5}])
def test_a_hard_beam_is_said_to_be_so_without_claiming_a_measurement(
    changed: dict[str, object],
) -> None:
    for verdict in check_assessment(Settings(), group_with(**changed)):
        assert verdict.good
        assert "nothing was measured" in verdict.words


def test_a_tube_beyond_the_model_is_not_judged_and_says_why() -> None:
    for verdict in check_assessment(Settings(), group_with(anode_angle_degrees=45.0)):
        assert verdict.good
        assert "not judged" in verdict.words
        assert "anode_angle_degrees" in verdict.words
