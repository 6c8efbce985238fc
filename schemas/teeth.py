"""The teeth of dog and cat in the modified Triadan system, and the codes that name them in DICOM.

Sources: Floyd MR, *The modified Triadan system: nomenclature for veterinary dentistry*,
J Vet Dent 1991;8(4):18-19 (from memory). Dental formulas: adult dog 2 x (I3/3 C1/1 P4/4 M2/3),
puppy 2 x (i3/3 c1/1 p3/3), adult cat 2 x (I3/3 C1/1 P3/2 M1/1), kitten 2 x (i3/3 c1/1 p3/2)
(read in teaching pages that give them; ``tests/outside`` says which).
"""

from enum import StrEnum
from typing import Final, NamedTuple

from schemas.errors import GomphosisError


class Species(StrEnum):
    """The species whose teeth are known here."""

    DOG = "dog"
    CAT = "cat"


class Dentition(StrEnum):
    """Permanent (quadrants 1 to 4) or deciduous (quadrants 5 to 8)."""

    PERMANENT = "permanent"
    DECIDUOUS = "deciduous"


class Arch(StrEnum):
    """The jaw that carries the tooth."""

    MAXILLA = "maxilla"
    MANDIBLE = "mandible"


class Side(StrEnum):
    """The animal's own side."""

    RIGHT = "right"
    LEFT = "left"


class ToothKind(StrEnum):
    """What a position holds: 01-03 incisors, 04 canine, 05-08 premolars, 09-11 molars."""

    INCISOR = "incisor"
    CANINE = "canine"
    PREMOLAR = "premolar"
    MOLAR = "molar"


class Code(NamedTuple):
    """A coded term as DICOM carries it (PS3.3 section 8: value, scheme designator, meaning)."""

    value: str
    scheme: str
    meaning: str


class ToothError(GomphosisError, ValueError):
    """A number that is no tooth of the modified Triadan system.

    Also a ``ValueError``, so that a validator of a contract reports it with its field.
    """

    def __init__(self, tooth: int, expected: str) -> None:
        self.field = "tooth"
        self.value = tooth
        self.expected = expected
        super().__init__(f"tooth {tooth} does not exist; expected {expected}")


_EVERY_TOOTH: Final = (
    "a modified Triadan number: quadrant 1 to 4 and position 01 to 11, "
    "or for deciduous teeth quadrant 5 to 8 and position 01 to 08"
)

_MAXILLARY_QUADRANTS: Final = frozenset({1, 2, 5, 6})
_RIGHT_QUADRANTS: Final = frozenset({1, 4, 5, 8})

# Positions that exist in one quadrant of the upper and of the lower jaw.
_POSITIONS: Final[dict[tuple[Species, Dentition], dict[Arch, tuple[int, ...]]]] = {
    (Species.DOG, Dentition.PERMANENT): {
        Arch.MAXILLA: (1, 2, 3, 4, 5, 6, 7, 8, 9, 10),
        Arch.MANDIBLE: (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11),
    },
    (Species.DOG, Dentition.DECIDUOUS): {
        Arch.MAXILLA: (1, 2, 3, 4, 6, 7, 8),
        Arch.MANDIBLE: (1, 2, 3, 4, 6, 7, 8),
    },
    (Species.CAT, Dentition.PERMANENT): {
        Arch.MAXILLA: (1, 2, 3, 4, 6, 7, 8, 9),
        Arch.MANDIBLE: (1, 2, 3, 4, 7, 8, 9),
    },
    (Species.CAT, Dentition.DECIDUOUS): {
        Arch.MAXILLA: (1, 2, 3, 4, 6, 7, 8),
        Arch.MANDIBLE: (1, 2, 3, 4, 7, 8),
    },
}


def _teeth(species: Species, dentition: Dentition) -> frozenset[int]:
    quadrants = range(1, 5) if dentition is Dentition.PERMANENT else range(5, 9)
    positions = _POSITIONS[species, dentition]
    return frozenset(
        quadrant * 100 + position
        for quadrant in quadrants
        for position in positions[
            Arch.MAXILLA if quadrant in _MAXILLARY_QUADRANTS else Arch.MANDIBLE
        ]
    )


_TEETH: Final = {key: _teeth(*key) for key in _POSITIONS}


def teeth_of(species: Species, dentition: Dentition) -> frozenset[int]:
    """Every tooth that a healthy animal of the species has in this dentition."""
    return _TEETH[species, dentition]


def quadrant(tooth: int) -> int:
    """The quadrant, 1 to 8: right upper, left upper, left lower, right lower; 5 to 8 deciduous.

    Raises
    ------
    ToothError
        If the number is no tooth of the system in any species.
    """
    number, place = divmod(tooth, 100)
    last = {1: 11, 2: 8}.get((number + 3) // 4, 0)
    if not 1 <= place <= last:
        raise ToothError(tooth, _EVERY_TOOTH)
    return number


def position(tooth: int) -> int:
    """The place in the quadrant, counted from the midline: 1 to 11 (ToothError if none)."""
    return tooth - 100 * quadrant(tooth)


def dentition_of(tooth: int) -> Dentition:
    """Whether the number is of a permanent or of a deciduous tooth."""
    return Dentition.PERMANENT if quadrant(tooth) <= 4 else Dentition.DECIDUOUS


def as_permanent(tooth: int) -> int:
    """The tooth's place by its permanent number, of any number: presets are grouped by these."""
    return tooth - 400 if tooth > 500 else tooth


def arch(tooth: int) -> Arch:
    """The jaw that carries the tooth."""
    return Arch.MAXILLA if quadrant(tooth) in _MAXILLARY_QUADRANTS else Arch.MANDIBLE


def side(tooth: int) -> Side:
    """The animal's side on which the tooth stands."""
    return Side.RIGHT if quadrant(tooth) in _RIGHT_QUADRANTS else Side.LEFT


def kind(tooth: int) -> ToothKind:
    """Incisor, canine, premolar or molar; the canine is always x04, the first molar x09."""
    place = position(tooth)
    if place <= 3:
        return ToothKind.INCISOR
    if place == 4:
        return ToothKind.CANINE
    return ToothKind.PREMOLAR if place <= 8 else ToothKind.MOLAR


_ORDINALS: Final = ("first", "second", "third", "fourth")
_BEFORE: Final = {ToothKind.INCISOR: 0, ToothKind.PREMOLAR: 4, ToothKind.MOLAR: 8}
_JAW_WORDS: Final = {Arch.MAXILLA: "maxillary", Arch.MANDIBLE: "mandibular"}


def tooth_name(tooth: int) -> str:
    """The tooth in plain words: ``tooth_name(108)`` is ``right maxillary fourth premolar``.

    The words hold for dog and cat alike: a tooth keeps its number where others are absent, so
    the cat's first mandibular cheek tooth is 307, the third premolar.
    """
    which = kind(tooth)
    words = [side(tooth).value, _JAW_WORDS[arch(tooth)]]
    if dentition_of(tooth) is Dentition.DECIDUOUS:
        words.append("deciduous")
    if which is not ToothKind.CANINE:
        words.append(_ORDINALS[position(tooth) - _BEFORE[which] - 1])
    words.append(which.value)
    return " ".join(words)


TRIADAN_SCHEME: Final = "99GMPH"
"""Our private coding scheme designator: DICOM has no code group for animal teeth, and private
designators begin with 99 (PS3.16 section 8.2, from memory)."""


def triadan_code(tooth: int) -> Code:
    """The tooth as an item of the Primary Anatomic Structure Sequence (0008,2228)."""
    return Code(str(tooth), TRIADAN_SCHEME, tooth_name(tooth))


def tooth_from_code(value: str, scheme: str) -> int | None:
    """The tooth that a coded item names, or None if the code is of another scheme.

    Raises
    ------
    ToothError
        If the scheme is ours and the value is no tooth.
    """
    if scheme != TRIADAN_SCHEME:
        return None
    tooth = int(value) if value.isascii() and value.isdigit() and len(value) == 3 else 0
    quadrant(tooth)
    return tooth


_JAW_CODES: Final = {
    Arch.MAXILLA: Code("70925003", "SCT", "Maxilla"),
    Arch.MANDIBLE: Code("91609006", "SCT", "Mandible"),
}
_ARCH_CODES: Final = {
    Arch.MAXILLA: Code("39481002", "SCT", "Maxillary dental arch"),
    Arch.MANDIBLE: Code("88176008", "SCT", "Mandibular dental arch"),
}
_INCISOR_CODES: Final = {
    Arch.MAXILLA: Code("442100006", "SCT", "Maxillary incisor teeth"),
    Arch.MANDIBLE: Code("442274007", "SCT", "Mandibular incisor teeth"),
}
# Only where the human term is true of the animal's tooth. The middle incisor (x02) and the third
# and fourth premolars (x07, x08) have no such term: a near one would name the wrong tooth.
_REGION_MODIFIERS: Final = {
    1: Code("699453001", "SCT", "Central incisor region"),
    3: Code("699511000", "SCT", "Lateral incisor region"),
    4: Code("699510004", "SCT", "Canine region"),
    5: Code("699509009", "SCT", "First premolar region"),
    6: Code("699508001", "SCT", "Second premolar region"),
    9: Code("699507006", "SCT", "First molar region"),
    10: Code("699505003", "SCT", "Second molar region"),
    11: Code("699503005", "SCT", "Third molar region"),
}


def jaw_code(tooth: int) -> Code:
    """The jaw for the Anatomic Region Sequence (0008,2218) of an intraoral image (CID 4016)."""
    return _JAW_CODES[arch(tooth)]


def region_code(tooth: int) -> Code:
    """The narrowest animal region that holds the tooth (CID 7482): incisor teeth, else the arch."""
    codes = _INCISOR_CODES if kind(tooth) is ToothKind.INCISOR else _ARCH_CODES
    return codes[arch(tooth)]


def region_modifier_code(tooth: int) -> Code | None:
    """The region modifier (CID 4017, human terms), or None where no term is true of this tooth."""
    return _REGION_MODIFIERS.get(position(tooth))


_SPECIES_CODES: Final = {
    Species.DOG: Code("448771007", "SCT", "Canis lupus familiaris"),
    Species.CAT: Code("448169003", "SCT", "Felis catus"),
}
# The older SNOMED CT concepts and the SNOMED-RT forms of all four, which older senders use.
_SPECIES_BY_CODE: Final = {
    ("448771007", "SCT"): Species.DOG,
    ("69986009", "SCT"): Species.DOG,
    ("L-88124", "SRT"): Species.DOG,
    ("L-80700", "SRT"): Species.DOG,
    ("448169003", "SCT"): Species.CAT,
    ("23826000", "SCT"): Species.CAT,
    ("L-00376", "SRT"): Species.CAT,
    ("L-80A00", "SRT"): Species.CAT,
}


def species_code(species: Species) -> Code:
    """The species for the Patient Species Code Sequence (0010,2202), CID 7454."""
    return _SPECIES_CODES[species]


def species_from_code(value: str, scheme: str = "SCT") -> Species | None:
    """The species that a code names, or None for any other animal or scheme."""
    return _SPECIES_BY_CODE.get((value, scheme))
