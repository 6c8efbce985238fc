"""The contracts as JSON Schema and as one AsyncAPI document, generated from the models.

``python -m schemas.export`` writes them beside this file; ``--check`` tells which are stale.
"""

from pathlib import Path

from schemas.export.asyncapi import asyncapi_document
from schemas.export.json_schema import json_schemas
from schemas.export.text import as_text

FOLDER = Path(__file__).parent


def documents() -> dict[str, str]:
    """Give every exported file's text by its path in the export folder."""
    files = {
        f"json/{name}.json": as_text(schema) for name, schema in sorted(json_schemas().items())
    }
    return {"asyncapi.json": as_text(asyncapi_document()), **files}


def write(folder: Path = FOLDER) -> list[str]:
    """Write what is stale and take away what is no longer made; give the paths that changed."""
    stale = stale_files(folder)
    made = documents()
    for name in stale:
        path = folder / name
        if name in made:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(made[name], encoding="utf-8")
        else:
            path.unlink()
    return stale


def stale_files(folder: Path = FOLDER) -> list[str]:
    """Give the paths that are missing, not as they would be made now, or no longer made."""
    made = documents()
    held = {path.relative_to(folder).as_posix() for path in folder.rglob("*.json")}
    differing = [
        name
        for name, text in made.items()
        if name not in held or (folder / name).read_text(encoding="utf-8") != text
    ]
    return sorted({*differing, *(held - made.keys())})
