"""Whether an object can be kept as a report, before anything is promised to its sender."""

from datetime import datetime
from zoneinfo import ZoneInfo

from schemas.errors import InvalidInput
from services.intake.document_header import DOCUMENT_TAGS, DocumentHeader, read_document
from services.intake.image_files import IncomingFile
from services.intake.object_check import check_announced, read_checked
from services.intake.sop_classes import DOCUMENT_CLASSES, DOCUMENT_SYNTAXES

MOST_BYTES = 16_000_000
"""A report is text: our own bound, since the whole of it enters memory."""


def check_document(file: IncomingFile, zone: ZoneInfo, received_at: datetime) -> DocumentHeader:
    """Check a written file as a whole and read its header and content.

    Raises
    ------
    WrongSopClass
        The SOP class is none that we keep, or not the one that was announced.
    InvalidInput
        The file is cut off, too large for a report, or lacks what one needs; the attribute or
        content item is named.
    """
    if file.size_bytes > MOST_BYTES:
        raise InvalidInput(
            "data set", f"{file.size_bytes} bytes", f"a report of at most {MOST_BYTES} bytes"
        )
    checked = read_checked(
        file,
        classes=DOCUMENT_CLASSES,
        syntaxes=DOCUMENT_SYNTAXES,
        what="an image or report of dental X-ray",
        tags=DOCUMENT_TAGS,
        needs_pixels=False,
        most_read_bytes=MOST_BYTES,
    )
    header = read_document(checked.dataset, zone, received_at)
    check_announced(file, header.sop_class_uid, header.sop_instance_uid)
    return header
