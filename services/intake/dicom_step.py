"""Modality Performed Procedure Step as a provider: N-CREATE and N-SET.

Success only once the step and what follows from it are durable. Statuses of PS3.7 annex C and
PS3.4 section F.7.2, see ``step_rules``.
"""

from collections.abc import Callable
from typing import Any

import structlog
from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.group import Device, Site
from services.intake.dicom_answers import OUT_OF_RESOURCES, PROCESSING_FAILURE, SUCCESS, answer_of
from services.intake.dicom_data_set import read_data_set
from services.intake.dicom_peers import peer_of
from services.intake.image_values import Values
from services.intake.step_desk import StepDesk
from services.intake.step_rules import INVALID_INSTANCE, INVALID_VALUE, StepRefused
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

Answer = tuple[Dataset, Dataset | None]


def handle_create(event: Any, desk: StepDesk) -> Answer:
    """Answer one N-CREATE request (handler of EVT_N_CREATE)."""
    uid = event.request.AffectedSOPInstanceUID
    return _answered("N-CREATE", event, uid, "AttributeList", desk, desk.create)


def handle_set(event: Any, desk: StepDesk) -> Answer:
    """Answer one N-SET request (handler of EVT_N_SET)."""
    uid = event.request.RequestedSOPInstanceUID
    return _answered("N-SET", event, uid, "ModificationList", desk, desk.change)


def _answered(
    request: str,
    event: Any,
    uid: str | None,
    attribute: str,
    desk: StepDesk,
    keep: Callable[[Site, Device, str, Dataset], None],
) -> Answer:
    site, device = peer_of(event)
    try:
        try:
            keep(site, device, _checked_uid(uid), read_data_set(event, attribute))
        except InvalidInput as error:
            desk.refuse(request, event, attribute, (site, device), error)
            raise
    except StepRefused as error:
        log.warning(
            "step_refused",
            site=site.name,
            station=device.name,
            step_instance_uid=uid,
            request=request,
            status=f"{error.status:04X}",
            field=error.field,
            expected=error.expected,
        )
        comment = f"{error.field}: expected {error.expected}"
        answer = answer_of(request, error.status, comment, error.error_id)
        tag = tag_for_keyword(error.keyword)
        if request == "N-SET" and error.status == INVALID_VALUE and tag is not None:
            answer.AttributeIdentifierList = tag
        return answer, None
    except StoreUnavailable as error:
        log.error("step_not_taken", station=device.name, reason=str(error))
        return answer_of(request, OUT_OF_RESOURCES, "store unavailable, try again later"), None
    except InvalidInput as error:
        log.warning("step_refused", station=device.name, request=request, field=error.field)
        return answer_of(request, PROCESSING_FAILURE, str(error)), None
    except Exception:
        log.exception("step_not_taken", station=device.name)
        return answer_of(request, PROCESSING_FAILURE, "a step that we can work with"), None
    return answer_of(request, SUCCESS), None


def _checked_uid(uid: str | None) -> str:
    told = Dataset()
    told.SOPInstanceUID = uid or ""
    checked = Values(told).uid("SOPInstanceUID")
    if checked is None:
        raise StepRefused(INVALID_INSTANCE, "SOPInstanceUID", uid, "the UID of the step")
    return checked
