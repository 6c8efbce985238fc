"""What each tooth of a dog and a cat looks like, in millimetres.

Tooth numbers follow the modified Triadan system (Floyd, J Vet Dent 1991;8(4):18-19). Sizes are
invented for a dog of about 15 kg and a cat of about 4 kg; the numbers of roots are common teaching
(common practice, no published source).
"""

from dataclasses import dataclass, replace
from typing import Final

Profile = tuple[tuple[float, float], ...]

# Crown outlines: place along the tooth (-1 mesial, 1 distal) and share of the crown height.
PREMOLAR: Final[Profile] = (
    (-1, 0), (-0.9, 0.2), (-0.5, 0.6), (-0.12, 1), (0.25, 0.52), (0.42, 0.54), (0.58, 0.3),
    (0.74, 0.32), (0.93, 0.14), (1, 0),
)  # fmt: skip
UPPER_CARNASSIAL: Final[Profile] = (
    (-1, 0), (-0.94, 0.2), (-0.72, 0.42), (-0.36, 1), (0.02, 0.62), (0.16, 0.5), (0.42, 0.66),
    (0.8, 0.5), (0.95, 0.22), (1, 0),
)  # fmt: skip
LOWER_CARNASSIAL: Final[Profile] = (
    (-1, 0), (-0.95, 0.25), (-0.62, 0.72), (-0.38, 0.55), (-0.06, 1), (0.16, 0.74), (0.3, 0.38),
    (0.52, 0.44), (0.7, 0.31), (0.86, 0.33), (0.97, 0.14), (1, 0),
)  # fmt: skip
MOLAR: Final[Profile] = (
    (-1, 0), (-0.93, 0.4), (-0.5, 0.97), (-0.06, 0.6), (0.38, 0.8), (0.7, 0.5), (0.94, 0.3), (1, 0),
)  # fmt: skip
CAT_LOWER_MOLAR: Final[Profile] = (
    (-1, 0), (-0.95, 0.3), (-0.52, 0.95), (-0.06, 0.42), (0.42, 1), (0.8, 0.5), (0.95, 0.2), (1, 0),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Root:
    """One root: place and half width as shares of the crown's half width, splay in mm per mm."""

    place: float
    half_width: float
    splay: float
    length: float = 1.0
    # A root that lies behind another in the picture adds to it and does not hide it.
    behind: bool = False


@dataclass(frozen=True, slots=True)
class ToothForm:
    """One tooth; lengths in mm. No roots listed: crown and root are one tapered horn."""

    width_mm: float
    crown_mm: float
    root_mm: float
    depth_mm: float
    crown: Profile = PREMOLAR
    roots: tuple[Root, ...] = ()
    canine: bool = False

    @property
    def root_count(self) -> int:
        """Number of roots."""
        return len(self.roots) or 1


_TWO = (Root(-0.52, 0.36, -0.07), Root(0.5, 0.38, 0.09))
_CARNASSIAL_ROOTS = (Root(-0.53, 0.36, -0.05), Root(0.46, 0.36, 0.1, 0.84))
_CAT_CARNASSIAL_ROOTS = (Root(-0.42, 0.5, -0.02), Root(0.68, 0.22, 0.16, 0.62))
_THREE = (
    Root(-0.56, 0.28, -0.1),
    Root(-0.3, 0.2, 0.06, 0.82, behind=True),
    Root(0.5, 0.38, 0.1, 0.95),
)
_MOLAR_THREE = (
    Root(-0.55, 0.32, -0.1),
    Root(0.02, 0.3, 0.0, 0.9, behind=True),
    Root(0.52, 0.32, 0.12, 0.9),
)


def _horn(width: float, crown: float, root: float, *, canine: bool = False) -> ToothForm:
    return ToothForm(width, crown, root, width * (0.75 if canine else 1.05), canine=canine)


# Jaw "upper"/"lower" -> last two digits of the tooth number -> form.
_FORMS: Final[dict[tuple[str, str], dict[int, ToothForm]]] = {
    ("dog", "upper"): {
        1: _horn(4.3, 6.0, 11.0),
        2: _horn(4.8, 7.0, 12.0),
        3: _horn(5.8, 9.0, 14.5),
        4: _horn(9.0, 18.0, 25.0, canine=True),
        5: _horn(4.6, 4.5, 8.0),
        6: ToothForm(9.0, 6.0, 9.5, 4.2, roots=_TWO),
        7: ToothForm(11.0, 7.0, 10.5, 4.6, roots=_TWO),
        8: ToothForm(17.5, 11.0, 12.5, 6.2, UPPER_CARNASSIAL, _THREE),
        9: ToothForm(12.0, 6.0, 9.5, 7.5, MOLAR, _MOLAR_THREE),
        10: ToothForm(6.5, 4.0, 7.0, 6.0, MOLAR, _MOLAR_THREE),
    },
    ("dog", "lower"): {
        1: _horn(3.4, 5.0, 9.0),
        2: _horn(3.9, 5.6, 10.0),
        3: _horn(4.4, 6.5, 11.0),
        4: _horn(8.2, 17.0, 24.0, canine=True),
        5: _horn(4.2, 3.6, 7.0),
        6: ToothForm(8.0, 5.5, 9.0, 4.0, roots=_TWO),
        7: ToothForm(9.5, 6.3, 10.0, 4.3, roots=_TWO),
        8: ToothForm(11.0, 7.5, 10.8, 4.8, roots=_TWO),
        9: ToothForm(20.0, 12.0, 14.0, 6.8, LOWER_CARNASSIAL, _CARNASSIAL_ROOTS),
        10: ToothForm(8.2, 4.4, 8.0, 5.0, MOLAR, _TWO),
        11: _horn(4.6, 2.8, 5.5),
    },
    ("cat", "upper"): {
        1: _horn(1.7, 2.3, 4.6),
        2: _horn(1.9, 2.6, 5.0),
        3: _horn(2.4, 3.3, 6.2),
        4: _horn(4.3, 9.5, 12.5, canine=True),
        6: _horn(2.0, 1.8, 3.6),
        7: ToothForm(6.0, 4.6, 6.4, 2.6, roots=_TWO),
        8: ToothForm(10.0, 6.4, 8.0, 3.8, UPPER_CARNASSIAL, _THREE),
        9: ToothForm(2.8, 1.6, 3.8, 3.0, MOLAR, _TWO),
    },
    ("cat", "lower"): {
        1: _horn(1.3, 1.9, 4.0),
        2: _horn(1.4, 2.1, 4.3),
        3: _horn(1.7, 2.5, 4.8),
        4: _horn(3.9, 8.6, 11.5, canine=True),
        7: ToothForm(5.4, 4.1, 6.2, 2.4, roots=_TWO),
        8: ToothForm(6.8, 5.0, 7.2, 2.7, roots=_TWO),
        9: ToothForm(8.4, 6.0, 8.0, 3.0, CAT_LOWER_MOLAR, _CAT_CARNASSIAL_ROOTS),
    },
}
# Deciduous teeth by last two digits: the dog has no deciduous first premolar, the cat no x06 below.
_DECIDUOUS: Final[dict[tuple[str, str], tuple[int, ...]]] = {
    ("dog", "upper"): (1, 2, 3, 4, 6, 7, 8),
    ("dog", "lower"): (1, 2, 3, 4, 6, 7, 8),
    ("cat", "upper"): (1, 2, 3, 4, 6, 7, 8),
    ("cat", "lower"): (1, 2, 3, 4, 7, 8),
}
DECIDUOUS_SCALE: Final = 0.55
# Space in front of a tooth, mm, where it is not the usual one.
_GAPS_MM: Final[dict[tuple[str, str], dict[int, float]]] = {
    ("dog", "upper"): {4: 2.5, 5: 2.6, 6: 2.0, 7: 1.8, 8: 0.3, 9: -0.4},
    ("dog", "lower"): {4: 0.4, 5: 3.0, 6: 1.6, 7: 1.5, 8: 1.2},
    ("cat", "upper"): {4: 1.4, 6: 2.2, 7: 0.9, 9: -0.2},
    ("cat", "lower"): {4: 0.2, 7: 5.0},
}


@dataclass(frozen=True, slots=True)
class JawForm:
    """Lengths in mm: crest to lower border, thickness across, crest to nasal floor."""

    height_mm: float
    depth_mm: float
    nasal_floor_mm: float


_JAWS: Final[dict[str, JawForm]] = {"dog": JawForm(20.0, 9.5, 9.5), "cat": JawForm(11.0, 5.0, 6.0)}


def jaw_form(species: str) -> JawForm:
    """Give the jaw of ``dog`` or ``cat``."""
    return _JAWS[species]


def jaw_of(tooth: int) -> str:
    """Give ``upper`` or ``lower`` for a Triadan number."""
    return "upper" if tooth // 100 in {1, 2, 5, 6} else "lower"


def side_of(tooth: int) -> str:
    """Give ``right`` or ``left`` for a Triadan number."""
    return "right" if tooth // 100 in {1, 4, 5, 8} else "left"


def gap_before_mm(species: str, tooth: int) -> float:
    """Space between a tooth and the one in front of it, mm; negative where they overlap."""
    return _GAPS_MM[species, jaw_of(tooth)].get(tooth % 100, 0.3)


def dentition(species: str, quadrant: int) -> tuple[int, ...]:
    """List the teeth of one quadrant (1 to 8; 5 to 8 deciduous) from the midline backwards."""
    jaw = species, jaw_of(quadrant * 100)
    places = _FORMS[jaw] if quadrant <= 4 else _DECIDUOUS[jaw]
    return tuple(quadrant * 100 + place for place in places)


def form_of(species: str, tooth: int) -> ToothForm:
    """Give the form of one tooth.

    Raises ``ValueError`` where the species is not ``dog`` or ``cat``, or has no such tooth.
    """
    if species not in _JAWS:
        msg = f"species: expected 'dog' or 'cat', got {species!r}"
        raise ValueError(msg)
    if not 1 <= tooth // 100 <= 8 or tooth not in dentition(species, tooth // 100):
        msg = f"teeth: a {species} has no tooth {tooth}; give modified Triadan numbers"
        raise ValueError(msg)
    form = _FORMS[species, jaw_of(tooth)][tooth % 100]
    if tooth < 500:
        return form
    k = DECIDUOUS_SCALE
    return replace(
        form,
        width_mm=form.width_mm * k,
        crown_mm=form.crown_mm * k,
        root_mm=form.root_mm * k,
        depth_mm=form.depth_mm * k,
    )
