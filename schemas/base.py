"""The base of every contract, and the field types that they share."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field


class Contract(BaseModel):
    """A message or data record that crosses a boundary: strict, frozen, finite, no more.

    Strict means that JSON input keeps its type: the text ``"70"`` is not the number 70.
    Every model carries at least one example in ``EXAMPLES``; the tests validate them all.
    """

    model_config = ConfigDict(
        strict=True, frozen=True, extra="forbid", allow_inf_nan=False, ser_json_inf_nan="null"
    )

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ()


def _as_utc(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("a moment between the years 1 and 9999 in UTC") from error


UtcTime = Annotated[AwareDatetime, AfterValidator(_as_utc)]
"""A moment with a time zone, kept in UTC. A naive time is refused."""

Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9][a-z0-9_-]*$")]
"""A short identifier of ours: lower case, digits, ``-`` and ``_`` (sites, rooms, devices)."""

Text = Annotated[str, Field(min_length=1, max_length=2000)]
"""A short text for people; control of its length bounds every message."""

Uid = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[0-9]+(\.[0-9]+)*$")]
"""A DICOM unique identifier (PS3.5 section 9: at most 64 characters, digits and dots)."""

Tooth = Annotated[int, Field(ge=101, le=811)]
"""A tooth in the modified Triadan system (Floyd, J Vet Dent 1991;8(4):18-19)."""

Money = Annotated[Decimal, Field(max_digits=12, decimal_places=2)]
"""An amount in the tariff's currency, to the cent."""

Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
"""An ISO 4217 currency code."""

Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
"""A share or a confidence, from 0 to 1."""

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
