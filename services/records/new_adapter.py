"""A new record adapter's package, laid out from the template with its name filled in."""

import re
from importlib.resources import files
from pathlib import Path
from typing import Final

from jinja2 import Environment, StrictUndefined

from schemas.errors import InvalidInput
from services.records.adapters.choose import known_adapters

_TEMPLATE: Final = files("services.records") / "adapter_template"
_PLACES: Final = {
    "README.md.j2": "README.md",
    "pyproject.toml.j2": "pyproject.toml",
    "init.py.j2": "src/{module}/__init__.py",
    "adapter.py.j2": "src/{module}/adapter.py",
    "record.py.j2": "src/{module}/record.py",
    "test_contract.py.j2": "tests/test_contract.py",
}
_NAME: Final = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_LONGEST_NAME: Final = 40


def lay_out(name: str, folder: Path) -> list[Path]:
    """Write the package of an adapter into a folder; give the files.

    ``name`` is what the setting ``records.adapter`` will say. Raises InvalidInput for a name that
    cannot be one or is taken, or where a file is there already: then nothing is written.
    """
    if not _NAME.fullmatch(name) or len(name) > _LONGEST_NAME:
        expected = (
            f"at most {_LONGEST_NAME} lower-case letters, digits and single hyphens, a letter first"
        )
        raise InvalidInput("name", name, expected)
    if name in known_adapters():
        raise InvalidInput("name", name, "one that no installed adapter has")
    words = {
        "name": name,
        "package": f"gomphosis-record-{name}",
        "module": f"gomphosis_record_{name.replace('-', '_')}",
        "class_name": "".join(part.capitalize() for part in name.split("-")) + "Adapter",
    }
    environment = Environment(
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        autoescape=False,  # noqa: S701 - Python and TOML, and a name that was looked at
    )
    texts = {
        folder / place.format(**words): environment.from_string(
            (_TEMPLATE / source).read_text(encoding="utf-8")
        ).render(words)
        for source, place in _PLACES.items()
    }
    texts[folder / f"src/{words['module']}/py.typed"] = ""
    for path in texts:
        if path.exists():
            raise InvalidInput("into", str(path), "a place where nothing is overwritten")
    for path, text in texts.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    return list(texts)
