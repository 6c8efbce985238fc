"""A site or a device put into the text of ``group.yaml``; all else in it stays to the letter. Pure.

Whoever wrote the file finds comments, order and quotes again. Where a list is written in a way
that nothing can be put into by text, that is said, and the file is for a person's own hand.
"""

import json
from collections.abc import Mapping
from typing import Any, Final

import yaml

from schemas.errors import InvalidInput

_BY_HAND: Final = "a list of one item a line; add this by hand where it is written otherwise"


def with_site(text: str, site: Mapping[str, Any]) -> str:
    """Put a site at the end of ``sites``. Raises InvalidInput."""
    sites = _value(_root(text), "sites")
    return _checked(text, _appended(text, sites, site, "sites"), ["sites"], site)


def with_device(text: str, site: str, device: Mapping[str, Any]) -> str:
    """Put a device at the end of a site's ``devices``. Raises InvalidInput."""
    sites = _value(_root(text), "sites")
    items = sites.value if isinstance(sites, yaml.SequenceNode) else []
    for number, item in enumerate(items):
        name = _value(item, "name")
        if isinstance(name, yaml.ScalarNode) and name.value == site:
            devices = _value(item, "devices")
            where = f"sites.{site}.devices"
            if devices is None:
                new = _with_key(text, item, "devices", device, where)
            else:
                new = _appended(text, devices, device, where)
            return _checked(text, new, ["sites", number, "devices"], device)
    raise InvalidInput("site", site, "a site of group.yaml")


def _root(text: str) -> yaml.Node | None:
    try:
        return yaml.compose(text, yaml.SafeLoader)
    except yaml.YAMLError as error:
        raise InvalidInput("group.yaml", str(error), "a YAML file that can be read") from error


def _value(node: yaml.Node | None, key: str) -> yaml.Node | None:
    if not isinstance(node, yaml.MappingNode):
        return None
    return next((value for name, value in node.value if name.value == key), None)


def _appended(text: str, node: yaml.Node | None, item: Mapping[str, Any], where: str) -> str:
    if not isinstance(node, yaml.SequenceNode):
        raise InvalidInput(where, None, _BY_HAND)
    if node.flow_style:
        # JSON is YAML's flow style. Before the closing bracket:
        at = node.end_mark.index - 1
        comma = ", " if node.value else ""
        return text[:at] + comma + json.dumps(item, ensure_ascii=False) + text[at:]
    first = node.value[0]
    # The dash stands before the item, by the column at which the list begins.
    indent = " " * node.start_mark.column
    dash = max(first.start_mark.column - node.start_mark.column, 2)
    return _inserted(text, _end(node), _item(item, indent, dash))


def _with_key(text: str, node: yaml.Node, key: str, item: Mapping[str, Any], where: str) -> str:
    if not isinstance(node, yaml.MappingNode) or node.flow_style:
        raise InvalidInput(where, None, _BY_HAND)
    indent = " " * node.start_mark.column
    lines = f"{indent}{key}:\n" + _item(item, indent + "  ", 2)
    return _inserted(text, _end(node), lines)


def _item(item: Mapping[str, Any], indent: str, dash: int) -> str:
    # By way of JSON, for only plain values may stand in the file.
    plain = json.loads(json.dumps(item))
    dumped = yaml.safe_dump(plain, sort_keys=False, allow_unicode=True, default_flow_style=None)
    lines = dumped.rstrip("\n").split("\n")
    first = indent + "-" + " " * (dash - 1) + lines[0]
    return "\n".join([first, *(indent + " " * dash + line for line in lines[1:])]) + "\n"


def _end(node: yaml.Node) -> int:
    """Find the end of what a node says; its own mark lies behind the comments that follow."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(last[1] if isinstance(last, tuple) else last)
    return int(node.end_mark.index)


def _inserted(text: str, after: int, lines: str) -> str:
    end = text.find("\n", after - 1 if after and text[after - 1] == "\n" else after)
    if end < 0:
        return f"{text}\n{lines}"
    return text[: end + 1] + lines + text[end + 1 :]


def _checked(text: str, new: str, path: list[str | int], item: Mapping[str, Any]) -> str:
    """Make sure that the new text says what the old one did and the item, and nothing else."""
    expected = yaml.safe_load(text)
    place = expected
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = [*(place.get(path[-1]) or []), json.loads(json.dumps(item))]
    try:
        said = yaml.safe_load(new)
    except yaml.YAMLError:
        said = None
    if said != expected:
        raise InvalidInput(".".join(str(step) for step in path), None, _BY_HAND)
    return new
