"""C-FIND of the modality worklist: which animals are to be imaged where, and by which views."""

import time
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

import structlog
from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.group import DeviceKind, Site
from schemas.plans import Plan
from services.intake.dicom_data_set import read_data_set
from services.intake.dicom_peers import peer_of
from services.intake.worklist_item import (
    MODALITY,
    requested,
    set_character_set,
    unsupported,
    worklist_item,
)
from services.intake.worklist_match import (
    Period,
    any_matches,
    name_matches,
    read_period,
    text_matches,
)
from services.intake.worklist_store import ScheduledOrder, scheduled
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

# PS3.4 table K.4-1 (pynetdicom lists them).
_SUCCESS, _PENDING, _PENDING_WITHOUT_SOME_KEYS = 0x0000, 0xFF00, 0xFF01
_CANCELLED, _OUT_OF_RESOURCES, _CANNOT_PROCESS = 0xFE00, 0xA700, 0xC000

# Answers are sent by so many; in between a C-CANCEL is heard (PS3.7 section 9.3.2.3).
_PAGE = 5
_LISTEN_S = 0.002

Answer = tuple[int | Dataset, Dataset | None]


class WorklistFinder:
    """Answers worklist queries from the store; a station sees its own site's orders."""

    def __init__(self, store: Store, plans: Mapping[str, Plan]) -> None:
        self._store = store
        self._plans = plans

    def find(self, event: Any) -> Iterator[Answer]:
        """Answer one query (handler of EVT_C_FIND)."""
        site, device = peer_of(event)
        try:
            keys = read_data_set(event, "Identifier")
            orders = self.matching(site, keys)
        except InvalidInput as error:
            yield _failure(_CANNOT_PROCESS, f"{error.field}: expected {error.expected}"), None
            return
        except StoreUnavailable as error:
            log.warning("worklist_unavailable", reason=str(error))
            yield _failure(_OUT_OF_RESOURCES, "store unavailable, try again later"), None
            return
        for number, item in enumerate(orders):
            if number % _PAGE == 0:
                _let_a_cancel_in(event.assoc)
            if event.is_cancelled:
                DICOM_REQUESTS.labels("C-FIND", f"{_CANCELLED:04X}").inc()
                yield _CANCELLED, None
                return
            without = unsupported(item, keys)
            answer = requested(item, keys)
            set_character_set(answer)
            yield _PENDING_WITHOUT_SOME_KEYS if without else _PENDING, answer
        DICOM_REQUESTS.labels("C-FIND", "0000").inc()
        log.info("worklist_asked", site=site.name, device=device.name, matches=len(orders))

    def matching(self, site: Site, keys: Dataset) -> list[Dataset]:
        """Give the whole items that match the keys (InvalidInput for a key that has no sense)."""
        step = _step_keys(keys)
        period = read_period(
            _one(step, "ScheduledProcedureStepStartDate"),
            _one(step, "ScheduledProcedureStepStartTime"),
        )
        found = []
        for order in self._orders(site, period):
            titles = _station_titles(site, order.room)
            if _order_matches(order, keys, step, titles) and period.holds(
                order.scheduled_at.astimezone(site.zone)
            ):
                found.append(worklist_item(order, self._plans.get(order.plan), titles, site.zone))
        return found

    def _orders(self, site: Site, period: Period) -> list[ScheduledOrder]:
        since, until = period.first_date, period.last_date
        # Days are the site's own; a day more at either end costs little and is sorted out later.
        if since is not None:
            since = since.replace(tzinfo=site.zone) if since.year > 1 else None
        if until is not None:
            until = until.replace(tzinfo=site.zone) if until.year < 9999 else None
        with self._store.read() as connection:
            return list(
                scheduled(
                    connection, site.name, since, until + timedelta(days=2) if until else None
                )
            )


def _order_matches(
    order: ScheduledOrder, keys: Dataset, step: Dataset, titles: tuple[str, ...]
) -> bool:
    return (
        any_matches(_all(step, "ScheduledStationAETitle"), titles)
        and any_matches(_all(step, "Modality"), [MODALITY])
        and text_matches(_one(step, "ScheduledProcedureStepID"), order.accession_number)
        and name_matches(_one(keys, "PatientName"), order.patient.name)
        and text_matches(_one(keys, "PatientID"), order.patient.patient_id)
        and text_matches(_one(keys, "AccessionNumber"), order.accession_number)
        and text_matches(_one(keys, "RequestedProcedureID"), order.accession_number)
        and any_matches(_all(keys, "StudyInstanceUID"), [order.study_instance_uid])
    )


def _station_titles(site: Site, room: str) -> tuple[str, ...]:
    return tuple(
        device.ae_title
        for device in site.devices
        if device.kind is DeviceKind.STATION and device.room == room and device.ae_title
    )


def _let_a_cancel_in(association: Any) -> None:
    """Wait until what was answered is sent: the upper layer reads only when it has nothing to
    send, and answers that nobody takes would pile up in memory."""
    while association.is_established and not association.dul.to_provider_queue.empty():
        time.sleep(_LISTEN_S)
    time.sleep(_LISTEN_S)


def _step_keys(keys: Dataset) -> Dataset:
    steps = keys.get("ScheduledProcedureStepSequence")
    if not steps:
        return Dataset()
    if len(steps) > 1:
        raise InvalidInput("ScheduledProcedureStepSequence (0040,0100)", len(steps), "one item")
    item: Dataset = steps[0]
    return item


def _all(keys: Dataset, keyword: str) -> list[str]:
    value = keys.get(keyword)
    if value is None:
        return []
    if isinstance(value, str) or not hasattr(value, "__iter__"):
        return [str(value)]
    return [str(part) for part in value]


def _one(keys: Dataset, keyword: str) -> str:
    value = keys.get(keyword)
    return "" if value is None else str(value)


def _failure(status: int, comment: str) -> Dataset:
    DICOM_REQUESTS.labels("C-FIND", f"{status:04X}").inc()
    answer = Dataset()
    answer.Status = status
    answer.ErrorComment = comment.replace("\\", "/").encode("ascii", "replace").decode()[:64]
    return answer
