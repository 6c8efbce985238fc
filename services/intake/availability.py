"""Telling a site's records when a closed study can be viewed, once for each content of it."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path

import structlog

from schemas.group import Device, DeviceKind, Group, Site
from services.intake import availability_store
from services.intake.availability_notice import AVAILABILITY_CLASS, content_sha256, notice_of
from services.intake.availability_store import DueNotice
from services.intake.dicom_outgoing import PeerUnreachable, associated, is_done
from services.intake.dicom_outgoing_tls import PeerTls
from services.intake.held_objects import objects_of_study
from services.intake.outgoing_waits import wait_after
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_LOOK_AGAIN = timedelta(seconds=60)
_DUPLICATE = 0x0111


class Availability:
    """Looks at closed studies and tells records that listen.

    ``retrieve_ae_title`` is where images are retrieved from (setting
    ``intake.retrieve_ae_title``); without one nobody is told, since ONLINE would not be true.
    """

    def __init__(
        self,
        store: Store,
        group: Group,
        image_root: Path,
        retrieve_ae_title: str | None,
        tls: PeerTls,
    ) -> None:
        self._store = store
        self._group = group
        self._root = image_root
        self._retrieve_ae_title = retrieve_ae_title
        self._tls = tls

    def deliver_due(self) -> int:
        """Look at what has changed and tell it; give the number of notices that went.

        Raises StoreUnavailable.
        """
        if self._retrieve_ae_title is None:
            return 0
        self._look()
        with self._store.read() as connection:
            due = availability_store.due(connection, datetime.now(UTC))
        count = 0
        for (site, device), notices in groupby(sorted(due, key=_device_of), key=_device_of):
            count += self._tell(site, device, list(notices), self._retrieve_ae_title)
        return count

    def _look(self) -> None:
        now = datetime.now(UTC)
        with self._store.read() as connection:
            due = availability_store.to_look_at(connection, now)
        for site_name, study, due_at in due:
            with self._store.begin() as connection:
                objects = objects_of_study(connection, self._root, site_name, study)
                missing = [one.stored.path for one in objects if not one.whole]
                if missing:
                    log.warning("study_not_whole", site=site_name, study=study, missing=missing[:5])
                elif objects:
                    content = content_sha256([one.stored for one in objects])
                    for device in self._records(site_name):
                        availability_store.owe_notice(
                            connection, site_name, study, device.name, content
                        )
                again_at = now + _LOOK_AGAIN if missing else None
                availability_store.looked_at(connection, site_name, study, due_at, again_at)

    def _records(self, site_name: str) -> list[Device]:
        return [
            device
            for site in self._group.sites
            if site.name == site_name
            for device in site.devices
            if device.kind is DeviceKind.RECORD and device.ae_title and device.listens_at
        ]

    def _tell(
        self, site_name: str, device_name: str, notices: Sequence[DueNotice], retrieve: str
    ) -> int:
        waiting = list(notices)
        try:
            site, device = self._peer(site_name, device_name)
            with associated(site, device, [AVAILABILITY_CLASS], self._tls) as peer:
                for message_id, notice in enumerate(notices, start=1):
                    self._tell_one(peer, notice, message_id, retrieve)
                    waiting.remove(notice)
        except PeerUnreachable as error:
            DICOM_REQUESTS.labels("N-CREATE", "put_off").inc()
            log.warning("availability_waits", device=device_name, reason=str(error))
            now = datetime.now(UTC)
            with self._store.begin() as connection:
                for one in waiting:
                    later = now + timedelta(seconds=wait_after(one.attempts))
                    availability_store.put_off(connection, one, later)
        return len(notices) - len(waiting)

    def _tell_one(
        self, peer: object, notice: DueNotice, message_id: int, retrieve_ae_title: str
    ) -> None:
        with self._store.read() as connection:
            held = objects_of_study(connection, self._root, notice.site, notice.study_instance_uid)
        objects = [one.stored for one in held if one.whole]
        if content_sha256(objects) != notice.content_sha256:
            # It has changed since: the next look owes another notice in place of this one.
            raise PeerUnreachable(notice.device, "the study has changed meanwhile")
        content = notice_of(notice.study_instance_uid, objects, retrieve_ae_title)
        status, _ = peer.send_n_create(  # type: ignore[attr-defined]
            content, AVAILABILITY_CLASS, notice.notice_instance_uid, message_id
        )
        told = status.get("Status")
        # A repeat of one whose answer we never saw is a duplicate there, and told.
        if not is_done(status) and told != _DUPLICATE:
            reason = "no answer" if told is None else f"status {told:04X}"
            raise PeerUnreachable(notice.device, f"notice not taken: {reason}")
        with self._store.begin() as connection:
            availability_store.told(connection, notice)
        log.info(
            "availability_told",
            site=notice.site,
            device=notice.device,
            study=notice.study_instance_uid,
            objects=len(objects),
        )

    def _peer(self, site_name: str, device_name: str) -> tuple[Site, Device]:
        for site in self._group.sites:
            device = site.device(device_name)
            if site.name == site_name and device is not None:
                return site, device
        raise PeerUnreachable(device_name, f"expected it at site {site_name} in group.yaml")


def _device_of(notice: DueNotice) -> tuple[str, str]:
    return notice.site, notice.device
