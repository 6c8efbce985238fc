"""C-STORE: success only once file and fact are durable, else the standard's own status.

Statuses of PS3.4 table B.2-1: A7xx out of resources (the sender tries again), A9xx data set does
not match SOP class, Cxxx cannot understand.
"""

from typing import NamedTuple

import structlog

from schemas.errors import InvalidInput
from schemas.group import Device, Site
from services.intake.image_files import ImageTooLarge, IncomingFile, NoRoom
from services.intake.image_intake import ImageIntake, Sender
from services.intake.object_check import WrongSopClass
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

SUCCESS = 0x0000
OUT_OF_RESOURCES = 0xA700
WRONG_SOP_CLASS = 0xA900
CANNOT_UNDERSTAND = 0xC000
TOO_LARGE = 0xC001
_COMMENT_CHARACTERS = 64  # Error Comment (0000,0902) is an LO


class StoreAnswer(NamedTuple):
    """Status (0000,0900) and Error Comment (0000,0902) of a C-STORE response."""

    status: int
    comment: str = ""


def answer_store(
    file: IncomingFile | None, peer: tuple[Site, Device], negotiated: str, images: ImageIntake
) -> StoreAnswer:
    """Keep what one C-STORE request brought, and say what to answer.

    ``negotiated`` is the abstract syntax of the presentation context that it came in.
    """
    if file is None:
        return _answer(CANNOT_UNDERSTAND, "data set: expected one, found none")
    site, device = peer
    try:
        return _keep(file, Sender(site, device.name, device.room, "dicom"), images, negotiated)
    finally:
        file.discard()


def _keep(file: IncomingFile, sender: Sender, images: ImageIntake, negotiated: str) -> StoreAnswer:
    try:
        if file.failure is not None:
            raise file.failure
        if file.sop_class_uid != negotiated:
            raise WrongSopClass(
                "AffectedSOPClassUID (0000,0002)", file.sop_class_uid, f"{negotiated}, negotiated"
            )
        images.keep(file, sender)
    except InvalidInput as error:
        status = WRONG_SOP_CLASS if isinstance(error, WrongSopClass) else CANNOT_UNDERSTAND
        return _refuse(file, sender, images, error, status)
    except ImageTooLarge as error:
        return _answer(TOO_LARGE, str(error))
    except (NoRoom, StoreUnavailable, OSError) as error:
        # Whatever the cause: nothing was promised, and the sender keeps the image and tries again.
        log.error("image_not_taken", station=sender.station, reason=str(error))
        return _answer(OUT_OF_RESOURCES, _cause(error))
    except Exception as error:
        log.exception("image_not_taken", station=sender.station)
        wrong = InvalidInput("image", type(error).__name__, "an image that we can work with")
        return _refuse(file, sender, images, wrong, OUT_OF_RESOURCES)
    return _answer(SUCCESS)


def _refuse(
    file: IncomingFile, sender: Sender, images: ImageIntake, error: InvalidInput, status: int
) -> StoreAnswer:
    try:
        images.refuse(file, sender, error)
    except (OSError, StoreUnavailable) as trouble:
        log.error(
            "refused_image_not_kept",
            station=sender.station,
            sop_instance_uid=file.sop_instance_uid,
            reason=str(trouble),
        )
        return _answer(OUT_OF_RESOURCES, _cause(trouble))
    return _answer(status, f"{error.field}: expected {error.expected}")


def _cause(error: Exception) -> str:
    if isinstance(error, StoreUnavailable):
        return "store unavailable, try again later"
    return "disk full, try again later" if isinstance(error, NoRoom) else "disk error, try again"


def _answer(status: int, comment: str = "") -> StoreAnswer:
    DICOM_REQUESTS.labels("C-STORE", f"{status:04X}").inc()
    # The command set is in the default repertoire: ASCII without a backslash (PS3.7 6.3).
    plain = comment.replace("\\", "/").encode("ascii", "replace").decode()
    return StoreAnswer(status, plain[:_COMMENT_CHARACTERS])
