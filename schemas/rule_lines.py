"""In which line of a YAML file a field stands, for errors and for what is to be added."""

from collections.abc import Sequence

import yaml


def line_of(text: str, path: Sequence[int | str]) -> int | None:
    """Give the line, from 1, of the field at a path, or of the nearest field above it.

    A step that the file does not have (the name of a type in a union) is passed over. None where
    not even the first field is there, or the text is no YAML.
    """
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except (yaml.YAMLError, RecursionError, ValueError):
        return None
    found: int | None = None
    for step in path:
        inner = _step(node, step)
        if inner is not None:
            node, found = inner
    return found


def _step(node: yaml.Node | None, step: int | str) -> tuple[yaml.Node, int] | None:
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if isinstance(key, yaml.ScalarNode) and key.value == str(step):
                return value, key.start_mark.line + 1
    elif isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
        value = node.value[step]
        return value, value.start_mark.line + 1
    return None
