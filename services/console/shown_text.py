"""What a page shows of a text that came from outside, so that it changes nothing around it.

Markup is escaped by the templates. What is left are letters that no one sees: a control of
direction turns the figures after it (Unicode Standard Annex 9; Unicode Technical Report 36 section
2.7, both from memory), so ``11.4 kg`` may be read as ``4.11``. Such a letter is shown as a mark in
its place. The marks LRM, RLM and ALM stay: they are part of how some languages are written.
"""

from typing import Any, Final

from markupsafe import Markup

MARK: Final = "\N{REPLACEMENT CHARACTER}"
_TURNING: Final = (*range(0x202A, 0x202F), *range(0x2066, 0x206A))
_CONTROLS: Final = (*range(0x09), 0x0B, 0x0C, *range(0x0E, 0x20), *range(0x7F, 0xA0))
_SHOWN: Final = dict.fromkeys((*_TURNING, *_CONTROLS), MARK) | {0x2028: "\n", 0x2029: "\n"}


def shown(value: Any) -> Any:
    """Give what a template writes of a value; what is markup of ours, and no text, stays."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return value.translate(_SHOWN)
    return value
