"""The invented radiographs behave as a detector's picture of a jaw would."""

import numpy as np
import pytest
from numpy.typing import NDArray

from demo.synthetic_image import (
    RECEPTOR_SIZES_MM,
    STORED_BITS,
    relative_signal,
    render_view,
)
from demo.synthetic_image.anatomy import dentition, form_of
from demo.synthetic_image.layout import View, lay_out
from demo.synthetic_image.tooth import add_tooth, empty_maps
from schemas.teeth import Dentition, Species, teeth_of

COARSE_MM = 0.12


def small_view(
    teeth: list[int],
    *,
    species: str = "dog",
    seed: int = 7,
    exposure: float = 1.0,
    cut_off: float = 0.0,
) -> NDArray[np.uint16]:
    return render_view(
        species,
        teeth,
        receptor_size=2,
        pixel_pitch_mm=COARSE_MM,
        seed=seed,
        exposure=exposure,
        cut_off=cut_off,
    )


def laid_out(species: str, teeth: list[int], pitch_mm: float = COARSE_MM) -> View:
    return lay_out(
        species,
        teeth,
        receptor_size=2,
        pixel_pitch_mm=pitch_mm,
        occlusal=False,
        rng=np.random.default_rng(1),
    )


def runs(line: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(np.diff(np.concatenate(([0], line.astype(np.int8)))) == 1))


def test_same_arguments_and_seed_give_the_same_pixels() -> None:
    first = small_view([309, 310, 311], cut_off=0.1)
    second = small_view([309, 310, 311], cut_off=0.1)

    assert np.array_equal(first, second)


def test_another_seed_gives_another_picture() -> None:
    assert not np.array_equal(small_view([309], seed=1), small_view([309], seed=2))


@pytest.mark.parametrize("size", sorted(RECEPTOR_SIZES_MM))
def test_picture_has_the_receptors_size_in_either_orientation(size: int) -> None:
    short_mm, long_mm = RECEPTOR_SIZES_MM[size]

    pixels = render_view("dog", [108], receptor_size=size, pixel_pitch_mm=COARSE_MM, seed=1)

    assert pixels.dtype == np.uint16
    assert sorted(pixels.shape) == [round(short_mm / COARSE_MM), round(long_mm / COARSE_MM)]


@pytest.mark.parametrize("exposure", [0.01, 1.0, 50.0])
def test_no_value_needs_more_than_the_stored_bits(exposure: float) -> None:
    pixels = small_view([104], exposure=exposure, cut_off=0.2)

    assert int(pixels.max()) < 2**STORED_BITS


def test_the_right_technique_clips_almost_nothing() -> None:
    for species, teeth in (("dog", [409, 410]), ("dog", [104]), ("cat", [207, 208])):
        pixels = small_view(teeth, species=species)

        assert np.mean(pixels == 0) < 0.001
        assert np.mean(pixels == 2**STORED_BITS - 1) < 0.005


def test_different_teeth_give_clearly_different_pictures() -> None:
    molars, premolars = small_view([309, 310]), small_view([306, 307])
    difference = np.abs(molars.astype(np.int32) - premolars.astype(np.int32))

    assert np.mean(difference > 1000) > 0.1


def test_teeth_are_bright_and_air_is_dark() -> None:
    view = laid_out("dog", [309])
    place = next(place for place in view.teeth if place.tooth == 309)
    column = int(np.argmin(np.abs(view.x_mm - place.x_mm)))
    crown_row = int(np.argmin(np.abs(view.y_mm + place.form.crown_mm * 0.5)))

    pixels = render_view("dog", [309], receptor_size=2, pixel_pitch_mm=COARSE_MM, seed=1)

    crown = pixels[crown_row - 2 : crown_row + 3, column - 2 : column + 3].mean()
    air = pixels[:3].mean()
    assert crown > 3 * air


def test_upper_jaws_show_crowns_down_and_lower_jaws_crowns_up() -> None:
    upper, lower = small_view([208]), small_view([309])

    # The side of the crowns borders on air, the other on bone.
    assert upper[-5:].mean() < 0.6 * upper[:5].mean()
    assert lower[:5].mean() < 0.6 * lower[-5:].mean()


def test_left_side_has_the_nose_at_the_pictures_left_and_right_side_at_its_right() -> None:
    left, right = small_view([304]), small_view([404])

    # In front of the jaw is air, behind it bone.
    assert left[:, :20].mean() < 0.7 * left[:, -20:].mean()
    assert right[:, -20:].mean() < 0.7 * right[:, :20].mean()


def test_right_and_left_sides_mirror_each_other_but_for_noise() -> None:
    right, left = small_view([409, 410]), small_view([309, 310])

    mirrored = np.corrcoef(right[:, ::-1].ravel(), left.ravel())[0, 1]
    straight = np.corrcoef(right.ravel(), left.ravel())[0, 1]
    assert mirrored > 0.98
    assert straight < 0.9


def test_more_exposure_raises_the_detector_signal_and_darkens_the_picture() -> None:
    pictures = [small_view([309], exposure=times) for times in (0.25, 0.5, 1.0, 2.0, 4.0)]

    signals = [float(np.median(relative_signal(pixels))) for pixels in pictures]
    values = [float(pixels.mean()) for pixels in pictures]
    assert signals == sorted(signals)
    assert values == sorted(values, reverse=True)
    assert signals[3] / signals[2] == pytest.approx(2.0, rel=0.1)


def test_less_exposure_gives_a_noisier_signal() -> None:
    def relative_noise(exposure: float) -> float:
        air = relative_signal(small_view([309], exposure=exposure))[2:30, 30:-30]
        return float(np.std(np.diff(air, axis=1)) / air.mean())

    # Quantum noise alone would give the root of ten; the detector's own noise adds a little.
    assert 2.0 < relative_noise(0.1) / relative_noise(1.0) < 5.0


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.6])
def test_cut_off_leaves_that_share_unexposed(share: float, seed: int) -> None:
    pixels = small_view([309], seed=seed, exposure=2.0, cut_off=share)

    unexposed = float(np.mean(pixels == 2**STORED_BITS - 1))
    assert unexposed == pytest.approx(share, abs=0.03)


def test_cut_off_changes_nothing_inside_the_beam() -> None:
    whole, cut = small_view([309], exposure=2.0), small_view([309], exposure=2.0, cut_off=0.2)

    # Blur and penumbra touch only the edge.
    assert np.mean(whole == cut) > 0.7


@pytest.mark.parametrize(
    ("species", "tooth", "seen"),
    [
        ("dog", 101, 1),
        ("dog", 204, 1),
        ("dog", 105, 1),
        ("dog", 206, 2),
        ("dog", 307, 2),
        ("dog", 409, 2),
        ("dog", 109, 3),
        ("cat", 404, 1),
        ("cat", 207, 2),
        ("cat", 309, 2),
    ],
)
def test_roots_can_be_counted_across_the_drawn_tooth(species: str, tooth: int, seen: int) -> None:
    # Given the tooth drawn alone
    view = laid_out(species, [tooth], pitch_mm=0.06)
    place = next(place for place in view.teeth if place.tooth == tooth)
    maps = empty_maps(view)
    add_tooth(view, place, 0.2, maps)

    # When its hard tissue is cut across at half the root's length
    row = int(np.argmin(np.abs(view.y_mm - place.y_mm - 0.5 * place.form.root_mm)))
    hard = maps.dentine[row] + maps.pulp[row] > 0.3

    # Then as many pieces show as the tooth has roots
    assert runs(hard) == seen == form_of(species, tooth).root_count


@pytest.mark.parametrize("tooth", [108, 208])
def test_upper_carnassial_has_three_roots_that_part_towards_the_apex(tooth: int) -> None:
    view = laid_out("dog", [tooth], pitch_mm=0.06)
    place = next(place for place in view.teeth if place.tooth == tooth)
    maps = empty_maps(view)
    add_tooth(view, place, 0.2, maps)

    rows = np.flatnonzero((view.y_mm > 0.3 * place.form.root_mm) & (view.y_mm < place.form.root_mm))
    counts = [runs(maps.dentine[row] > 0.3) for row in rows]

    assert max(counts) == 3
    assert form_of("dog", tooth).root_count == 3


def test_enamel_caps_the_crown_and_never_the_root() -> None:
    view = laid_out("dog", [309])
    maps = empty_maps(view)
    for place in view.teeth:
        add_tooth(view, place, 0.2, maps)

    assert maps.enamel[view.y_mm < -1.0].max() > 0.5
    assert maps.enamel[view.y_mm > 1.0].max() == 0.0


@pytest.mark.parametrize("species", ["dog", "cat"])
@pytest.mark.parametrize("quadrant", range(1, 9))
def test_every_tooth_of_the_dentition_can_be_rendered(species: str, quadrant: int) -> None:
    for tooth in dentition(species, quadrant):
        pixels = render_view(species, [tooth], receptor_size=1, pixel_pitch_mm=0.3, seed=tooth)

        assert pixels.std() > 500


@pytest.mark.parametrize("species", list(Species))
@pytest.mark.parametrize(
    ("dentition_kind", "quadrants"),
    [(Dentition.PERMANENT, range(1, 5)), (Dentition.DECIDUOUS, range(5, 9))],
)
def test_drawn_teeth_are_those_the_contracts_know(
    species: Species, dentition_kind: Dentition, quadrants: range
) -> None:
    drawn = [tooth for quadrant in quadrants for tooth in dentition(species.value, quadrant)]

    assert sorted(drawn) == sorted(teeth_of(species, dentition_kind))


def test_rostral_view_shows_both_sides_around_the_midline() -> None:
    pixels = render_view(
        "dog", [101, 102], receptor_size=2, pixel_pitch_mm=COARSE_MM, seed=3, occlusal=True
    )
    both = render_view(
        "dog",
        [101, 102, 103, 201, 202, 203],
        receptor_size=2,
        pixel_pitch_mm=COARSE_MM,
        seed=3,
    )

    assert pixels.shape == both.shape
    across = both.astype(np.float64)
    assert np.corrcoef(across.ravel(), across[:, ::-1].ravel())[0, 1] > 0.7


@pytest.mark.parametrize(
    ("species", "teeth", "field"),
    [
        ("cat", [105], "teeth"),
        ("dog", [111], "teeth"),
        ("dog", [505], "teeth"),
        ("dog", [], "teeth"),
        ("dog", [108, 409], "teeth"),
        ("dog", [108, 208], "teeth"),
        ("horse", [108], "species"),
    ],
)
def test_impossible_views_are_refused_by_the_fields_name(
    species: str, teeth: list[int], field: str
) -> None:
    with pytest.raises(ValueError, match=f"^{field}:"):
        small_view(teeth, species=species)


@pytest.mark.parametrize(
    ("field", "value"), [("exposure", 0.0), ("exposure", -1.0), ("cut_off", 1.0), ("cut_off", -0.1)]
)
def test_values_out_of_range_are_refused_by_the_fields_name(field: str, value: float) -> None:
    given = {"exposure": 1.0, "cut_off": 0.0} | {field: value}

    with pytest.raises(ValueError, match=f"^{field}:"):
        small_view([309], exposure=given["exposure"], cut_off=given["cut_off"])


def test_unknown_receptor_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^receptor_size:"):
        render_view("dog", [309], receptor_size=9, seed=1)
