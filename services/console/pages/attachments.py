"""An answer that the browser keeps as a file."""

from typing import Final

from fastapi.responses import Response

_MEDIA_TYPES: Final = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def attachment(content: bytes, name: str) -> Response:
    """Send a file under its name, whose ending is ``csv`` or ``xlsx``."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    media_type = _MEDIA_TYPES[name.rpartition(".")[2]]
    return Response(content, media_type=media_type, headers=headers)
