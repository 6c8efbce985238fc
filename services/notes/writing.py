"""How a site writes days, times, numbers and weights: by its locale (CLDR), or neutrally.

Only the figures follow the locale; the words of a drafted note are English. Neutral means ISO 8601
and a decimal point: what is compared over time is written so, since a locale's data may change.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final, Self
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_time
from babel.numbers import format_decimal, format_percent, get_decimal_symbol

from schemas.facts import KG_PER_LB, Weight, WeightUnit
from schemas.group import Site

# A figure with its unit, as assessment's sentences have it; a clause's or a UID's number has none.
_FIGURE: Final = re.compile(
    r"(?<![\d.])(\d+)\.(\d+)(?=\s?(?:[mµ]Gy|kV|mAs?|ms|min|s|mm|cm|kg|lb|%|(?:of|to)\s[0-9])(?![A-Za-z]))"
)
_ODD_SPACES: Final = str.maketrans({"\u00a0": " ", "\u202f": " "})


@dataclass(frozen=True, slots=True)
class Writing:
    """One manner of writing figures. Without ``locale`` it is neutral."""

    zone: ZoneInfo
    locale: Locale | None = None
    weight_unit: WeightUnit | None = None

    @classmethod
    def of(cls, site: Site) -> Self:
        """Give the site's own manner."""
        locale = Locale.parse(site.locale) if site.locale else None
        return cls(site.zone, locale, site.weight_unit)

    @classmethod
    def neutral(cls, site: Site) -> Self:
        return cls(site.zone)

    @property
    def language(self) -> str:
        """Give the language tag for a page (BCP 47). The drafted words are English."""
        territory = self.locale.territory if self.locale else None
        english = self.locale is not None and self.locale.language == "en"
        return f"en-{territory}" if english and territory else "en"

    def number(self, value: float, digits: int = 3) -> str:
        """Write a value rounded to so many significant digits, never with an exponent."""
        rounded = Decimal(f"{value:.{digits - 1}e}")
        return self._plain(rounded)

    def exact(self, value: float) -> str:
        """Write a value with all the digits that it was told with."""
        return self._plain(Decimal(repr(value)))

    def _plain(self, value: Decimal) -> str:
        plain = value.normalize() if value else Decimal(0)
        if self.locale is None:
            return f"{plain:f}"
        return format_decimal(
            plain, format="0.############", locale=self.locale, decimal_quantization=False
        )

    def share(self, value: float) -> str:
        """Write a share as whole percent."""
        if self.locale is None:
            return f"{value:.0%}"
        return format_percent(value, locale=self.locale).translate(_ODD_SPACES)

    def day(self, value: date) -> str:
        if self.locale is None:
            return value.isoformat()
        return format_date(value, format="medium", locale=self.locale).translate(_ODD_SPACES)

    def clock(self, moment: datetime) -> str:
        """Write a moment's time of day by the site's own clock."""
        local = moment.astimezone(self.zone)
        if self.locale is None:
            return local.strftime("%H:%M:%S")
        return format_time(local, format="medium", locale=self.locale).translate(_ODD_SPACES)

    def moment(self, moment: datetime) -> str:
        """Write day, time and zone by the site's own clock."""
        local = moment.astimezone(self.zone)
        if self.locale is None:
            return local.strftime("%Y-%m-%d %H:%M %Z")
        time = format_time(local, format="short", locale=self.locale).translate(_ODD_SPACES)
        return f"{self.day(local.date())} {time} {local:%Z}"

    def weight(self, weight: Weight) -> str:
        """Write a weight in the site's unit, and beside it as it was told where that differs."""
        told = f"{self.exact(weight.value)} {weight.unit}"
        if self.weight_unit in {None, weight.unit}:
            return told
        value = weight.kg / (KG_PER_LB if self.weight_unit is WeightUnit.LB else 1.0)
        return f"{self.number(value)} {self.weight_unit} ({told} as told)"

    def sentence(self, words: str) -> str:
        """Give a sentence of assessment's with the decimal sign of the locale in its figures."""
        sign = get_decimal_symbol(self.locale) if self.locale else "."
        return words if sign == "." else _FIGURE.sub(rf"\1{sign}\2", words)
