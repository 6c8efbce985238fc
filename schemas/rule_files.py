"""Read a YAML file of rules or values into its contract."""

import json
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

import yaml
from pydantic import ValidationError

from schemas.base import Contract
from schemas.errors import InvalidInput

Rules = TypeVar("Rules", bound=Contract)


def read_rules(contract: type[Rules], source: Path | Traversable) -> Rules:
    """Read ``source`` (UTF-8 YAML) and validate it as ``contract``.

    Raises
    ------
    InvalidInput
        The file is missing, is no YAML, or breaks the contract; the field and what was expected
        are named, with the file.
    """
    try:
        content = yaml.safe_load(source.read_text(encoding="utf-8"))
    except OSError as error:
        raise InvalidInput(str(source), error.strerror, "a file that can be read") from error
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise InvalidInput(str(source), str(error), "a YAML file in UTF-8") from error
    try:
        # By way of JSON, because strict models take arrays and enumerations in JSON form only.
        return contract.model_validate_json(json.dumps(content, default=str))
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "file"
        raise InvalidInput(f"{source.name}: {field}", first["input"], first["msg"]) from error
