"""Read a YAML file of rules or values into its contract."""

import json
from collections.abc import Hashable
from difflib import get_close_matches
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.rule_lines import line_of

Rules = TypeVar("Rules", bound=Contract)

MOST_NODES = 100_000
"""A file larger than this, with every alias written out, is refused."""

MOST_DEEP = 40


class _Loader(yaml.SafeLoader):
    """A safe loader that refuses a key given twice: of two values the first would be lost.

    It also refuses endless brackets, on which the parser would spend seconds.
    """

    _depth = 0

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        self._depth += 1
        if self._depth > MOST_DEEP:
            raise yaml.MarkedYAMLError(
                problem=f"values nested deeper than {MOST_DEEP} levels",
                problem_mark=self.peek_event().start_mark,  # type: ignore[no-untyped-call]
            )
        node: yaml.Node | None = super().compose_node(parent, index)
        self._depth -= 1
        return node

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        seen: set[Any] = set()
        for key_node, _ in node.value:
            key = key_node.value if isinstance(key_node, yaml.ScalarNode) else None
            if key is not None and key in seen and key_node.tag != "tag:yaml.org,2002:merge":
                line = key_node.start_mark.line + 1
                raise yaml.MarkedYAMLError(
                    problem=f"the key '{key}' stands twice (again in line {line}): keep one",
                    problem_mark=key_node.start_mark,
                )
            seen.add(key)
        return super().construct_mapping(node, deep)


def _content(text: str) -> Any:
    """Read the one document of a text, no larger than ``MOST_NODES``."""
    loader = _Loader(text)
    try:
        node = loader.get_single_node()
        if node is None:
            return None
        _count(node, {})
        return loader.construct_document(node)
    finally:
        loader.dispose()


def _count(node: yaml.Node, known: dict[int, int]) -> int:
    """Count a node's nodes with aliases written out: a few lines of them can mean millions."""
    if id(node) in known:
        if known[id(node)] == 0:
            raise yaml.MarkedYAMLError(
                problem="an alias stands within what it names", problem_mark=node.start_mark
            )
        return known[id(node)]
    known[id(node)] = 0
    count = 1
    if isinstance(node, yaml.SequenceNode):
        count += sum(_count(one, known) for one in node.value)
    elif isinstance(node, yaml.MappingNode):
        count += sum(_count(key, known) + _count(value, known) for key, value in node.value)
    if count > MOST_NODES:
        raise yaml.MarkedYAMLError(
            problem=f"more than {MOST_NODES} values", problem_mark=node.start_mark
        )
    known[id(node)] = count
    return count


def read_rules(contract: type[Rules], source: Path | Traversable) -> Rules:
    """Read ``source`` (UTF-8 YAML) and validate it as ``contract``.

    Raises
    ------
    InvalidInput
        The file is missing, is no YAML, or breaks the contract; the field and what was expected
        are named, with the file and the line.
    """
    try:
        # By way of JSON, because strict models take arrays and enumerations in JSON form only.
        text = source.read_text(encoding="utf-8")
        content = json.dumps(_content(text), default=str)
    except OSError as error:
        raise InvalidInput(str(source), error.strerror, "a file that can be read") from error
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        problem = getattr(error, "problem", None) or "not UTF-8 or no YAML"
        raise InvalidInput(str(source), str(error), f"a YAML file in UTF-8 ({problem})") from error
    except (ValueError, TypeError, RecursionError, AttributeError, KeyError) as error:
        # The parser's own: a day that no month has, a key that is a list, brackets without end.
        expected = f"a YAML file of plain values ({type(error).__name__})"
        raise InvalidInput(str(source), str(error), expected) from error
    try:
        return contract.model_validate_json(content)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "file"
        expected = _expected(first, contract)
        line = line_of(text, first["loc"])
        expected += f" (line {line})" if line is not None else ""
        raise InvalidInput(f"{source.name}: {field}", first["input"], expected) from error


def _expected(error: ErrorDetails, contract: type[BaseModel]) -> str:
    """Say what was expected; of an unknown field, which ones there are."""
    if error["type"] != "extra_forbidden":
        return error["msg"]
    wrong = str(error["loc"][-1])
    known = _fields_at(contract, error["loc"][:-1])
    near = get_close_matches(wrong, known, n=1)
    meant = f"; was {near[0]} meant?" if near else ""
    return (
        f"one of {', '.join(known)}; '{wrong}' is not permitted{meant}" if known else error["msg"]
    )


def _fields_at(contract: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """Name the fields of the contract that stands at a path of field names and places."""
    for step in path:
        if isinstance(step, int):
            continue
        field = contract.model_fields.get(step)
        inner = _contract_in(field.annotation) if field is not None else None
        if inner is None:
            return []
        contract = inner
    return list(contract.model_fields)


def _contract_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    parts = getattr(annotation, "__args__", ())
    return next((found for part in parts if (found := _contract_in(part)) is not None), None)
