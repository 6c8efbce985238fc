"""The content tree of a structured report: read once, bounded in depth and count.

Attributes of DICOM PS3.3 C.17.3 (names run with pydicom; meanings from memory). A tree cannot
have a cycle, for an item that points elsewhere does so by number and is not followed.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.teeth import Code
from services.intake.image_values import Values, name_of

DEEPEST = 12
MOST_ITEMS = 20_000
"""Our own bounds: a dental dose report has about 30 items for each exposure, six levels deep."""

_LONGEST_TEXT = 64
_VALUE_TYPES = frozenset(
    {
        "CODE",
        "COMPOSITE",
        "CONTAINER",
        "DATE",
        "DATETIME",
        "IMAGE",
        "NUM",
        "PNAME",
        "SCOORD",
        "SCOORD3D",
        "TABLE",
        "TCOORD",
        "TEXT",
        "TIME",
        "UIDREF",
        "WAVEFORM",
    }
)


@dataclass(frozen=True, slots=True)
class ContentItem:
    """One content item. ``place`` is its number in the tree as PS3.3 C.17.3.2.5 counts: ``1.3.2``.

    ``value`` is a text, date and time, or UID as it was told; ``number`` and ``unit`` those of a
    measurement. What an item's type has not, or what cannot be read, is ``None``.
    """

    place: str
    value_type: str | None
    name: Code | None
    value: str | None = None
    code: Code | None = None
    number: float | None = None
    unit: str | None = None
    children: tuple["ContentItem", ...] = field(default=(), repr=False)

    def named(self, *codes: str) -> list["ContentItem"]:
        """Give the children whose concept name has one of these DCM code values, in order."""
        return [child for child in self.children if child.is_named(*codes)]

    def first(self, *codes: str) -> "ContentItem | None":
        return next(iter(self.named(*codes)), None)

    def is_named(self, *codes: str) -> bool:
        return self.name is not None and self.name.scheme == "DCM" and self.name.value in codes

    def everything(self) -> Iterator["ContentItem"]:
        """Give this item and all below it."""
        yield self
        for child in self.children:
            yield from child.everything()


def read_content(dataset: Dataset) -> ContentItem:
    """Read a report's tree from its data set.

    Raises
    ------
    InvalidInput
        There is no content, an item is of no known type, or the tree is deeper or larger than
        ``DEEPEST`` and ``MOST_ITEMS``; the item is named by its place.
    """
    values = Values(dataset)
    if values.text("ValueType") != "CONTAINER":
        raise InvalidInput(
            f"1 {name_of('ValueType')}", values.text("ValueType"), "CONTAINER, as a root is"
        )
    reader = _Reader()
    root = reader.item(values, "1", 0)
    if not root.children:
        raise InvalidInput(name_of("ContentSequence"), None, "at least one content item")
    return root


class _Reader:
    def __init__(self) -> None:
        self._count = 0

    def item(self, values: Values, place: str, depth: int) -> ContentItem:
        self._count += 1
        if self._count > MOST_ITEMS:
            raise InvalidInput(place, self._count, f"at most {MOST_ITEMS} content items")
        if depth > DEEPEST:
            raise InvalidInput(place, depth, f"at most {DEEPEST} levels of content items")
        value_type = values.text("ValueType")
        if value_type is None and values.raw("ReferencedContentItemIdentifier") is not None:
            return ContentItem(place, None, None)
        if value_type not in _VALUE_TYPES:
            raise InvalidInput(f"{place} {name_of('ValueType')}", value_type, "a known value type")
        number, unit = _measured(values) if value_type == "NUM" else (None, None)
        return ContentItem(
            place=place,
            value_type=value_type,
            name=_code_of(values, "ConceptNameCodeSequence"),
            value=_text_of(values, value_type),
            code=_code_of(values, "ConceptCodeSequence") if value_type == "CODE" else None,
            number=number,
            unit=unit,
            children=tuple(
                self.item(child, f"{place}.{number_of}", depth + 1)
                for number_of, child in enumerate(values.items("ContentSequence"), start=1)
            ),
        )


def _text_of(values: Values, value_type: str) -> str | None:
    if value_type == "UIDREF":
        return values.uid("UID")
    if value_type == "DATETIME":
        return values.text("DateTime")
    if value_type != "TEXT":
        return None
    # A paragraph is nothing that we read, and it may name an owner: it stays in the file.
    text = values.raw("TextValue")
    short = isinstance(text, str) and len(text) <= _LONGEST_TEXT and text.isprintable()
    return text.strip() or None if short else None


def _code_of(values: Values, keyword: str) -> Code | None:
    for item in values.items(keyword):
        code = item.code()
        if code is not None:
            return Code(*code, item.text("CodeMeaning") or "")
    return None


def _measured(values: Values) -> tuple[float | None, str | None]:
    """Read a measurement. No item in the sequence says that there is no value (C.18.1)."""
    for measured in values.items("MeasuredValueSequence"):
        number = measured.signed("NumericValue")
        unit = _code_of(measured, "MeasurementUnitsCodeSequence")
        return number, None if unit is None or unit.scheme != "UCUM" else unit.value
    return None, None
