"""Single values of an image's header, read so that a maker's odd one cannot stop the rest."""

import math
import re
from collections.abc import Callable
from functools import cache
from typing import Any

from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset
from pydicom.tag import BaseTag, Tag

from schemas.errors import InvalidInput
from services.intake.image_structure import element_name

_LONGEST_TEXT = 64
_UID = re.compile(r"^[0-9]+(\.[0-9]+)*$")


def name_of(keyword: str) -> str:
    """Name an attribute by keyword and number: ``KVP (0018,0060)``."""
    tag = tag_for_keyword(keyword)
    return keyword if tag is None else element_name(tag)


@cache
def _tag(keyword: str) -> BaseTag:
    """Look a keyword up once; all of them stand in our code, so the cache has an end."""
    return Tag(keyword)


class Values:
    """Reads attributes of a data set and remembers which ones had to be dropped, and why."""

    def __init__(self, dataset: Dataset) -> None:
        self._dataset = dataset
        self.dropped: list[InvalidInput] = []

    def raw(self, keyword: str) -> Any:
        """Give an attribute's value, or None where it is absent, empty or cannot be read."""
        tag = _tag(keyword)
        if tag not in self._dataset:
            return None
        try:
            value = self._dataset[tag].value
        except Exception as error:  # noqa: BLE001 - a value may break its VR in any way
            self.drop(keyword, str(error), "a value of its VR")
            return None
        # A number of several values is a list of pydicom; an empty one counts as absent.
        return None if value is None or value in ("", []) else value

    def drop(self, keyword: str, value: Any, expected: str) -> None:
        """Note that an attribute is not used, and why."""
        self.dropped.append(InvalidInput(name_of(keyword), value, expected))

    def number(
        self, keyword: str, *, factor: float = 1.0, zero_is_a_value: bool = False
    ) -> float | None:
        """Give a number times ``factor``, or None; it must be finite and not negative.

        Zero is dropped unless it ``zero_is_a_value``: in a whole-number attribute it stands for
        anything below one.
        """
        number = self._finite(keyword)
        if number is None:
            return None
        if number < 0 or (number == 0 and not zero_is_a_value):
            self.drop(keyword, number, "a number above 0")
            return None
        return number * factor

    def signed(self, keyword: str) -> float | None:
        """Give a finite number of either sign, or None."""
        return self._finite(keyword)

    def _finite(self, keyword: str) -> float | None:
        value = self.raw(keyword)
        if value is None:
            return None
        try:
            number = float(value)
        except (TypeError, ValueError, OverflowError):
            self.drop(keyword, value, "one number")
            return None
        if not math.isfinite(number):
            self.drop(keyword, value, "a finite number")
            return None
        return number

    def text(self, keyword: str) -> str | None:
        """Give a text of 1 to 64 characters, or None."""
        value = self.raw(keyword)
        if value is None:
            return None
        if not isinstance(value, str):
            self.drop(keyword, value, "one text")
            return None
        text = value.strip(" \x00")
        if len(text) > _LONGEST_TEXT or not text.isprintable():
            self.drop(keyword, text, f"at most {_LONGEST_TEXT} printable characters")
            return None
        return text or None

    def uid(self, keyword: str) -> str | None:
        """Give a unique identifier, or None."""
        text = self.text(keyword)
        if text is not None and not _UID.match(text):
            self.drop(keyword, text, "a UID of digits and dots")
            return None
        return text

    def whole(self, keyword: str) -> int | None:
        """Give a whole number above 0, or None."""
        number = self.number(keyword)
        if number is None:
            return None
        if number != int(number):
            self.drop(keyword, number, "a whole number")
            return None
        return int(number)

    def items(self, keyword: str) -> list["Values"]:
        """Give a sequence's items; what they drop is noted here."""
        value = self.raw(keyword)
        if value is None:
            return []
        if not isinstance(value, list) and not hasattr(value, "__iter__"):
            self.drop(keyword, value, "a sequence of items")
            return []
        items = []
        for item in value:
            if not isinstance(item, Dataset):
                self.drop(keyword, item, "a sequence of items")
                return []
            values = Values(item)
            values.dropped = self.dropped
            items.append(values)
        return items

    def code(self) -> tuple[str, str] | None:
        """Give a coded item's value and scheme. Values of more than 16 characters come as Long
        Code Value (PS3.3 section 8.1, from memory)."""
        value = self.text("CodeValue") or self.text("LongCodeValue")
        scheme = self.text("CodingSchemeDesignator")
        return None if value is None or scheme is None else (value, scheme)

    def required(self, keyword: str, read: Callable[[str], str | None], expected: str) -> str:
        """Read what an image cannot do without.

        Raises
        ------
        InvalidInput
            Naming the attribute, where it is absent or cannot be used.
        """
        value = read(keyword)
        if value is None:
            wrong = next((d for d in self.dropped if d.field == name_of(keyword)), None)
            raise wrong or InvalidInput(name_of(keyword), None, expected)
        return value
