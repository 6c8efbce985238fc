"""The records service: the patient record that is posted to and read back."""

from typing import Annotated

from pydantic import Field

from schemas.base import Name
from services.runtime.settings.section import Seconds, Section


class RecordsSettings(Section):
    """The patient record's adapter, by the name of its entry point, and its own options.

    Every ``read_back_s`` the lines that the record holds for the last ``read_back_days`` are read.
    ``postings_per_minute`` is the most that goes out from each site; none: no limit.
    """

    adapter: Name = "folder"
    options: dict[str, str] = Field(default_factory=dict)
    poll_s: Seconds = 0.5
    postings_per_minute: Annotated[int, Field(ge=1, le=100_000)] | None = None
    read_back_s: Seconds = 900.0
    read_back_days: Annotated[int, Field(ge=1, le=400)] = 45
