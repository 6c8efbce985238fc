"""Which forms of a date and time a mapping may name: a subset that no locale changes."""

import re

FIXED_FORMATS = frozenset({"iso", "epoch_s", "epoch_ms"})

_DIRECTIVE = re.compile(r"%(.?)")
_KNOWN = frozenset("dmYyjHIpMSfz")


def known_format(text: str) -> str:
    """Give a format back where it can be read and tells a whole moment (ValueError)."""
    if text in FIXED_FORMATS:
        return text
    if len(text) > 64:
        raise ValueError("expected a format of at most 64 characters")
    told = _DIRECTIVE.findall(text)
    strange = sorted({one for one in told if one not in _KNOWN})
    if strange:
        raise ValueError(
            f"expected iso, epoch_s, epoch_ms or a format of %{' %'.join(sorted(_KNOWN))}, "
            f"got %{' %'.join(strange)}"
        )
    doubled = sorted({one for one in told if told.count(one) > 1})
    if doubled:
        raise ValueError(f"expected each part once, got %{' %'.join(doubled)} twice")
    parts = set(told)
    day = parts & {"Y", "y"} and ({"d", "m"} <= parts or "j" in parts)
    hour = "H" in parts or {"I", "p"} <= parts
    if not (day and hour and "M" in parts):
        raise ValueError("expected a format that tells year, month, day, hour and minute")
    return text
