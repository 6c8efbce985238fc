"""Storage commitments from the request to the delivered report."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path

import structlog
from pydicom.dataset import Dataset

from schemas.group import Device, Group, Site
from services.intake import commitment_store
from services.intake.commitment_rules import (
    COMMITMENT_CLASS,
    COMMITMENT_INSTANCE,
    CommitmentRequest,
    judge,
    report_of,
)
from services.intake.commitment_store import Owed
from services.intake.dicom_outgoing import PeerUnreachable, associated, is_done
from services.intake.dicom_outgoing_tls import PeerTls
from services.intake.held_objects import classes_held
from services.intake.outgoing_waits import wait_after
from services.intake.sop_classes import DOCUMENT_CLASSES, STORAGE_CLASSES
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_SUPPORTED = frozenset((*STORAGE_CLASSES, *DOCUMENT_CLASSES))

# A station that keeps its association open gets the report there; the others, a moment later, on
# one of ours.
_FIRST_DUE = timedelta(seconds=1.5)
_ANSWER_DUE = timedelta(seconds=10)


class Commitments:
    """Keeps requests and owes a report for each. Safe to use from many threads."""

    def __init__(self, store: Store, group: Group, image_root: Path, tls: PeerTls) -> None:
        self._store = store
        self._group = group
        self._root = image_root
        self._tls = tls

    def take(self, site: Site, device: Device, request: CommitmentRequest) -> None:
        """Keep a request; return once it is durable. Raises StoreUnavailable."""
        now = datetime.now(UTC)
        with self._store.begin() as connection:
            commitment_store.insert_request(
                connection, site.name, device.name, request, now, now + _FIRST_DUE
            )
        log.info(
            "commitment_asked",
            site=site.name,
            device=device.name,
            transaction_uid=request.transaction_uid,
            instances=len(request.references),
        )

    def owed(self, site: Site, device: Device, request: CommitmentRequest) -> Owed | None:
        """Find what is still owed for a request, or None."""
        with self._store.read() as connection:
            return commitment_store.find(
                connection, site.name, device.name, request.transaction_uid, request.sha256
            )

    def report(self, owed: Owed) -> tuple[int, Dataset]:
        """Make the report by what lies on the disk now: its event type and information."""
        uids = [one.sop_instance_uid for one in owed.references]
        with self._store.read() as connection:
            held = classes_held(connection, self._root, owed.site, uids)
        verdicts = judge(owed.references, held, _SUPPORTED, duplicate=owed.duplicate)
        return report_of(owed.transaction_uid, verdicts)

    def sent(self, owed: Owed) -> None:
        """Note that a report is on its way on the station's own association."""
        with self._store.begin() as connection:
            commitment_store.put_off(connection, owed, datetime.now(UTC) + _ANSWER_DUE)

    def delivered(self, owed: Owed, event_type: int | None = None) -> None:
        """Note that the device has its report."""
        with self._store.begin() as connection:
            commitment_store.delivered(connection, owed)
        DICOM_REQUESTS.labels("N-EVENT-REPORT", "delivered").inc()
        log.info(
            "commitment_reported",
            site=owed.site,
            device=owed.device,
            transaction_uid=owed.transaction_uid,
            event_type=event_type,
        )

    def deliver_due(self) -> int:
        """Try every report that is due, each device's on one association; tell how many went.

        Raises StoreUnavailable.
        """
        with self._store.read() as connection:
            due = commitment_store.due(connection, datetime.now(UTC))
        count = 0
        for (site, device), owed in groupby(sorted(due, key=_device_of), key=_device_of):
            count += self._deliver(site, device, list(owed))
        return count

    def _deliver(self, site_name: str, device_name: str, owed: Sequence[Owed]) -> int:
        waiting = list(owed)
        try:
            site, device = self._peer(site_name, device_name)
            classes = [COMMITMENT_CLASS]
            with associated(site, device, classes, self._tls, as_provider=True) as peer:
                for message_id, one in enumerate(owed, start=1):
                    event_type, information = self.report(one)
                    status, _ = peer.send_n_event_report(
                        information, event_type, COMMITMENT_CLASS, COMMITMENT_INSTANCE, message_id
                    )
                    if not is_done(status):
                        told = status.get("Status")
                        reason = "no answer" if told is None else f"status {told:04X}"
                        raise PeerUnreachable(device_name, f"report not taken: {reason}")
                    self.delivered(one, event_type)
                    waiting.remove(one)
        except PeerUnreachable as error:
            DICOM_REQUESTS.labels("N-EVENT-REPORT", "put_off").inc()
            log.warning("commitment_report_waits", device=device_name, reason=str(error))
            self._put_off(waiting)
        return len(owed) - len(waiting)

    def _put_off(self, waiting: Sequence[Owed]) -> None:
        now = datetime.now(UTC)
        with self._store.begin() as connection:
            for one in waiting:
                later = now + timedelta(seconds=wait_after(one.attempts))
                commitment_store.put_off(connection, one, later)

    def _peer(self, site_name: str, device_name: str) -> tuple[Site, Device]:
        for site in self._group.sites:
            device = site.device(device_name)
            if site.name == site_name and device is not None:
                return site, device
        raise PeerUnreachable(device_name, f"expected it at site {site_name} in group.yaml")


def _device_of(owed: Owed) -> tuple[str, str]:
    return owed.site, owed.device
