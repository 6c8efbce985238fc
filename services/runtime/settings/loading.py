"""A process's settings, or the reason why it cannot start."""

import os
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel, ValidationError

from schemas.errors import GomphosisError, InvalidInput
from services.runtime.settings.section import Section
from services.runtime.settings.tree import FILE_VARIABLE, PREFIX, Settings

_NOT_SETTINGS = {FILE_VARIABLE}
_TEST_PREFIX = "GOMPHOSIS_TEST_"


class SettingsError(GomphosisError):
    """A setting is wrong; names it and says what was expected. The service does not start."""


def load_settings() -> Settings:
    """Read the settings of this process.

    Raises
    ------
    SettingsError
        Naming the first wrong setting and what was expected.
    """
    file = os.environ.get(FILE_VARIABLE)
    if file and not Path(file).is_file():
        raise SettingsError(f"{FILE_VARIABLE}: expected a YAML file, found none at {file}")
    _refuse_unknown(os.environ)
    try:
        return Settings()
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = PREFIX + "__".join(str(part) for part in first["loc"]).upper()
        wrong = InvalidInput(name, first["input"], first["msg"])
        raise SettingsError(f"setting {wrong}") from error
    except (ValueError, TypeError, yaml.YAMLError) as error:  # no YAML, or no mapping
        raise SettingsError(f"{FILE_VARIABLE}: expected YAML settings ({error})") from error


def _refuse_unknown(environment: Mapping[str, str]) -> None:
    """A misspelt variable would be passed over in silence; say so instead."""
    known = _known_names(Settings, PREFIX)
    for name in environment:
        if not name.startswith(PREFIX) or name in _NOT_SETTINGS or name.startswith(_TEST_PREFIX):
            continue
        if not any(name == one or name.startswith(f"{one}__") for one in known):
            nearest = get_close_matches(name, known, n=3, cutoff=0.5) or sorted(known)
            raise SettingsError(
                f"setting {name}: expected a known name such as {', '.join(nearest)}; "
                "is it misspelt? Unset it to start"
            )


def _known_names(model: type[BaseModel], prefix: str) -> set[str]:
    names: set[str] = set()
    for name, field in model.model_fields.items():
        full = prefix + name.upper()
        kind: Any = field.annotation
        if isinstance(kind, type) and issubclass(kind, Section):
            names |= _known_names(kind, f"{full}__")
        else:
            names.add(full)
    return names
