"""A rule file that is no plain YAML is refused with its name, whatever the parser makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.errors import InvalidInput
from schemas.group import Group
from schemas.rule_files import read_rules

_ALIASES = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{','.join([f'*{chr(97 + n)}'] * 9)}]\n" for n in range(8)
)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        pytest.param(_ALIASES, "more than 100000 values", id="aliases that grow"),
        pytest.param("a: &a [*a]\n", "within what it names", id="an alias of itself"),
        pytest.param("[" * 5_000, "deeper than 40 levels", id="brackets without end"),
        pytest.param("title: 2026-02-30\n", "ValueError", id="a day that no month has"),
        pytest.param("? [a, b]\n: c\n", "unhashable key", id="a key that is a list"),
        pytest.param("name: !!binary x\n", "", id="base 64 that is none"),
        pytest.param("title: " + "9" * 5_000 + "\n", "", id="a number beyond all bounds"),
    ],
)
def test_a_file_that_is_no_plain_yaml_is_refused(
    tmp_path: Path, content: str, expected: str
) -> None:
    path = tmp_path / "group.yaml"
    path.write_text(content, encoding="utf-8")

    with pytest.raises(InvalidInput) as refusal:
        read_rules(Group, path)

    assert "group.yaml" in refusal.value.field
    assert expected in refusal.value.expected


def test_an_alias_of_modest_size_is_read(tmp_path: Path) -> None:
    path = tmp_path / "group.yaml"
    path.write_text(
        "name: invented\ntitle: &shown Invented\nsites:\n"
        "  - {name: north, title: *shown, time_zone: UTC, called_ae_title: INVENTED,\n"
        "     rooms: [dental-1], tariff: invented}\n",
        encoding="utf-8",
    )

    assert read_rules(Group, path).sites[0].title == "Invented"
