"""What all parts of the settings are made of."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Port = Annotated[int, Field(ge=0, le=65_535)]
Seconds = Annotated[float, Field(gt=0, le=86_400)]


class Section(BaseModel):
    """One part of the tree; a name that it does not have is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)
