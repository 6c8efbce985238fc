"""The status of an answer, with its comment, counted."""

from pydicom.dataset import Dataset

from services.runtime.metrics import DICOM_REQUESTS

SUCCESS = 0x0000
OUT_OF_RESOURCES = 0x0213
PROCESSING_FAILURE = 0x0110

_COMMENT_CHARACTERS = 64  # Error Comment (0000,0902) is an LO


def answer_of(request: str, status: int, comment: str = "", error_id: int | None = None) -> Dataset:
    """Make a status data set for one answer to ``request`` (``N-SET``).

    ``error_id`` is an Error ID (0000,0903) of the standard's own.
    """
    answer = Dataset()
    answer.Status = status
    if comment:
        # The command set is in the default repertoire: ASCII without a backslash (PS3.7 6.3).
        plain = comment.replace("\\", "/").encode("ascii", "replace").decode()
        answer.ErrorComment = plain[:_COMMENT_CHARACTERS]
    if error_id is not None:
        answer.ErrorID = error_id
    DICOM_REQUESTS.labels(request, f"{status:04X}").inc()
    return answer
