"""Where the teeth of one view lie on the receptor.

Everything is laid out crown up and rostral to the left, then turned: upper jaws show crowns down,
and right sides are mirrored as if seen from outside the cheek (labial mounting). A rostral view
has the patient's right at the picture's left.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from demo.synthetic_image.anatomy import (
    DECIDUOUS_SCALE,
    ToothForm,
    dentition,
    form_of,
    gap_before_mm,
    jaw_of,
    side_of,
)
from demo.synthetic_image.fields import Field

# Common trade sizes, short by long side in mm (common practice, no published source).
RECEPTOR_SIZES_MM: Final[dict[int, tuple[float, float]]] = {
    0: (22.0, 35.0),
    1: (24.0, 40.0),
    2: (31.0, 41.0),
    3: (27.0, 54.0),
    4: (57.0, 76.0),
}
# In a side view the incisors stand one behind the other.
_FORESHORTENING: Final = 0.5
_MARGIN_ACROSS_MM: Final = 2.5
_MARGIN_ALONG_MM: Final = 6.0


@dataclass(frozen=True, slots=True)
class PlacedTooth:
    """A tooth whose neck's middle lies at ``x_mm``, ``y_mm``; y grows from crown to apex.

    ``lean`` shifts it along x per mm of y, and ``bow_per_mm`` bends both its ends to one side
    (mm per mm squared), the crown half as much as the root.
    """

    tooth: int
    form: ToothForm
    x_mm: float
    y_mm: float = 0.0
    lean: float = 0.0
    bow_per_mm: float = 0.0

    def bend_mm(self, y_mm: Field) -> Field:
        """Give the middle line's shift along x at ``y_mm`` from the neck."""
        bow = self.bow_per_mm * np.where(y_mm < 0, 0.5, 1.0)
        return np.asarray(self.lean * y_mm + bow * y_mm * y_mm, dtype=np.float32)

    @property
    def apex_mm(self) -> float:
        """Give the apex's place along x."""
        return self.x_mm + self.lean * self.form.root_mm + self.bow_per_mm * self.form.root_mm**2

    @property
    def tip_mm(self) -> float:
        """Give the crown tip's place along x."""
        crown = self.form.crown_mm
        return self.x_mm - self.lean * crown + 0.5 * self.bow_per_mm * crown**2


@dataclass(frozen=True, slots=True)
class View:
    """One laid-out view; ``scale`` is picture mm per mm of the standard animal."""

    species: str
    jaw: str
    rostral: bool
    mirrored: bool
    rows: int
    columns: int
    pixel_pitch_mm: float
    scale: float
    left_mm: float
    top_mm: float
    teeth: tuple[PlacedTooth, ...]

    @property
    def x_mm(self) -> Field:
        """Columns' places, mm of the standard animal, from rostral (or from the right)."""
        return self._places(self.columns, self.left_mm)

    @property
    def y_mm(self) -> Field:
        """Rows' places, mm of the standard animal, crown to apex; 0 at the necks."""
        return self._places(self.rows, self.top_mm)

    @property
    def pitch_mm(self) -> float:
        """One pixel in mm of the standard animal."""
        return self.pixel_pitch_mm / self.scale

    def _places(self, count: int, start: float) -> Field:
        return np.asarray(start + (np.arange(count) + 0.5) * self.pitch_mm, dtype=np.float32)


def lay_out(
    species: str,
    teeth: Sequence[int],
    *,
    receptor_size: int,
    pixel_pitch_mm: float,
    occlusal: bool,
    rng: np.random.Generator,
) -> View:
    """Lay out a view of ``teeth``; an animal too big for the receptor is made smaller.

    Raises ``ValueError`` for an unknown species, tooth or receptor, or teeth of two jaws.
    """
    if not teeth:
        msg = "teeth: expected at least one modified Triadan number, got none"
        raise ValueError(msg)
    if receptor_size not in RECEPTOR_SIZES_MM:
        msg = f"receptor_size: expected one of {sorted(RECEPTOR_SIZES_MM)}, got {receptor_size}"
        raise ValueError(msg)
    if not 0.01 <= pixel_pitch_mm <= 0.5:
        msg = f"pixel_pitch_mm: expected 0.01 to 0.5 mm, got {pixel_pitch_mm}"
        raise ValueError(msg)
    for tooth in teeth:
        form_of(species, tooth)
    # A jaw with deciduous teeth alone is a young animal's: small as a whole.
    young = all(tooth >= 500 for tooth in teeth)
    jaws, sides = {jaw_of(tooth) for tooth in teeth}, {side_of(tooth) for tooth in teeth}
    front_only = all(tooth % 100 <= 4 for tooth in teeth)
    if len(jaws) > 1 or (len(sides) > 1 and not front_only):
        msg = (
            f"teeth: {sorted(teeth)} do not lie on one receptor; give the teeth of one jaw, and "
            "of both sides only for incisors and canines"
        )
        raise ValueError(msg)
    rostral = front_only and (occlusal or len(sides) > 1)
    quadrants = sorted({tooth // 100 for tooth in teeth})
    placed = (_rostral if rostral else _side_view)(species, quadrants, young)
    wanted = [place for place in placed if place.tooth in set(teeth)]
    left, right, top, bottom = _extent(wanted)
    size = rng.uniform(0.9, 1.1) * (DECIDUOUS_SCALE if young else 1.0)
    short_mm, long_mm = RECEPTOR_SIZES_MM[receptor_size]

    def fit(width_mm: float, height_mm: float) -> float:
        return min(
            size,
            (width_mm - _MARGIN_ACROSS_MM) / (right - left),
            (height_mm - _MARGIN_ALONG_MM) / (bottom - top),
        )

    # The receptor lies along the jaw, and stands only where that shows the teeth much larger.
    width_mm, height_mm = long_mm, short_mm
    if fit(short_mm, long_mm) > 1.2 * fit(long_mm, short_mm):
        width_mm, height_mm = short_mm, long_mm
    scale = fit(width_mm, height_mm)
    spare_mm = height_mm / scale - (bottom - top)
    return View(
        species=species,
        jaw=jaws.pop(),
        rostral=rostral,
        mirrored=not rostral and sides == {"right"},
        rows=round(height_mm / pixel_pitch_mm),
        columns=round(width_mm / pixel_pitch_mm),
        pixel_pitch_mm=pixel_pitch_mm,
        scale=scale,
        left_mm=(left + right) / 2 - width_mm / scale / 2 + rng.uniform(-0.5, 0.5),
        top_mm=top - spare_mm * rng.uniform(0.25, 0.38),
        teeth=tuple(placed),
    )


def _extent(placed: Sequence[PlacedTooth]) -> tuple[float, float, float, float]:
    left = min(min(p.x_mm - p.form.width_mm / 2, p.apex_mm, p.tip_mm) for p in placed)
    right = max(max(p.x_mm + p.form.width_mm / 2, p.apex_mm, p.tip_mm) for p in placed)
    top = min(p.y_mm - p.form.crown_mm for p in placed)
    bottom = max(p.y_mm + p.form.root_mm for p in placed)
    return left, right, top, bottom


def _side_view(species: str, quadrants: Sequence[int], young: bool) -> list[PlacedTooth]:
    """Line the teeth up from the front; a deciduous tooth stands behind its successor."""
    placed: list[PlacedTooth] = []
    end_mm = 0.0
    for tooth in dentition(species, quadrants[0]):
        form = _form(species, tooth, young)
        place = tooth % 100
        ratio = form.width_mm / form_of(species, _permanent(tooth)).width_mm
        share = _FORESHORTENING if place < 4 else 1.0
        end_mm += gap_before_mm(species, _permanent(tooth)) * ratio * (share if place < 4 else 1)
        x_mm = end_mm + form.width_mm * share / 2
        end_mm += form.width_mm * share
        placed.append(_side_tooth(tooth, form, x_mm))
    by_place = {place.tooth % 100: place for place in placed}
    for quadrant in quadrants[1:]:
        for tooth in dentition(species, quadrant):
            form, beside = form_of(species, tooth), by_place[tooth % 100]
            x_mm = beside.x_mm + (beside.form.width_mm + form.width_mm) / 2 + 0.2
            placed.append(_side_tooth(tooth, form, x_mm))
    return placed


def _form(species: str, tooth: int, young: bool) -> ToothForm:
    """Give a tooth's form before the animal's own size is applied."""
    return form_of(species, _permanent(tooth) if young else tooth)


def _permanent(tooth: int) -> int:
    return tooth if tooth < 500 else tooth - 400


def _side_tooth(tooth: int, form: ToothForm, x_mm: float) -> PlacedTooth:
    if form.canine:
        if jaw_of(tooth) == "upper":
            return PlacedTooth(tooth, form, x_mm, lean=0.28, bow_per_mm=0.32 / form.root_mm)
        # The lower canine's root runs back along the jaw more than down into it.
        lying = replace(form, root_mm=form.root_mm * 0.56, crown_mm=form.crown_mm * 0.9)
        return PlacedTooth(tooth, lying, x_mm, lean=0.6, bow_per_mm=0.5 / lying.root_mm)
    if tooth % 100 < 4:
        return PlacedTooth(tooth, form, x_mm, lean=0.4, bow_per_mm=0.2 / form.root_mm)
    return PlacedTooth(tooth, form, x_mm, bow_per_mm=0.08 / form.root_mm)


def _rostral(species: str, quadrants: Sequence[int], young: bool) -> list[PlacedTooth]:
    """Set incisors and canines around the midline, both sides whichever was asked for."""
    placed: list[PlacedTooth] = []
    other = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}
    for quadrant in sorted(set(quadrants) | {other[q] for q in quadrants}):
        outwards = -1.0 if side_of(quadrant * 100) == "right" else 1.0
        along_mm = 0.15
        for tooth in dentition(species, quadrant)[:4]:
            form = _form(species, tooth, young)
            place = tooth % 100
            along_mm += gap_before_mm(species, _permanent(tooth)) if place == 4 else 0.25
            middle_mm = along_mm + form.width_mm / 2
            along_mm += form.width_mm
            whole_mm = 24.0 if species == "dog" else 9.5
            share = middle_mm / whole_mm
            x_mm = outwards * (
                middle_mm * (0.95 - 0.12 * share) + (0.0 if young or tooth < 500 else 0.6)
            )
            lean = -outwards * (0.03 + 0.26 * share * share + (0.06 if place == 4 else 0.0))
            y_mm = whole_mm * 0.28 * share * share
            bow = outwards * (0.22 / form.root_mm if place == 4 else 0.03 / form.root_mm)
            placed.append(PlacedTooth(tooth, form, x_mm, y_mm, lean, bow))
    return placed
