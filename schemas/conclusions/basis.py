"""What a conclusion rests on."""

from typing import Annotated

from pydantic import Field

FactKey = Annotated[str, Field(min_length=1, max_length=300)]
"""The natural key of a fact."""
