"""Associations that we ask for, with a device that listens."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pynetdicom import AE, build_role

from schemas.errors import GomphosisError
from schemas.group import Device, Site
from services.intake.dicom_outgoing_tls import PeerContext, PeerTls
from services.intake.dicom_tls import TlsSettingsError
from services.intake.sop_classes import PLAIN_SYNTAXES

_CONNECT_S, _ASSOCIATE_S, _ANSWER_S = 5.0, 10.0, 30.0

# Warnings of PS3.7 annex C that come with the work done.
_DONE = frozenset({0x0000, 0x0001, 0x0107, 0x0116})


class PeerUnreachable(GomphosisError):  # noqa: N818 - a state, not a fault of the caller
    """A device cannot be told now; it is tried again later."""

    def __init__(self, device: str, reason: str) -> None:
        self.device = device
        self.reason = reason
        super().__init__(
            f"device {device}: {reason}. Check that it runs, and its ae_title and listens_at in "
            "group.yaml"
        )


@contextmanager
def associated(
    site: Site,
    device: Device,
    sop_classes: Sequence[str],
    tls: PeerTls,
    *,
    as_provider: bool = False,
) -> Iterator[Any]:
    """Associate with a device under the site's title, and release at the end.

    ``as_provider``: we ask for the provider's role (PS3.7 annex D.3.3.4), as for a report on a
    commitment. A peer that answers nothing about roles is taken at its word that it listens.

    Raises PeerUnreachable.
    """
    if device.listens_at is None or device.ae_title is None:
        raise PeerUnreachable(device.name, "expected ae_title and listens_at, found none")
    entity = AE(ae_title=site.called_ae_title)
    entity.connection_timeout = _CONNECT_S
    entity.acse_timeout = _ASSOCIATE_S
    entity.dimse_timeout = entity.network_timeout = _ANSWER_S
    for sop_class in sop_classes:
        entity.add_requested_context(sop_class, list(PLAIN_SYNTAXES))
    context = _context(device, tls)
    roles: list[Any] = [build_role(one, scp_role=True) for one in sop_classes if as_provider]
    try:
        association = entity.associate(
            device.listens_at.host,
            device.listens_at.port,
            ae_title=device.ae_title,
            ext_neg=roles,
            tls_args=None if context is None else (context, device.listens_at.host),
        )
    except (OSError, RuntimeError, ValueError) as error:
        raise PeerUnreachable(device.name, str(error)) from error
    if not association.is_established:
        reason = "association rejected" if association.is_rejected else "no answer"
        if context is not None and context.failure is not None:
            reason = context.failure
        raise PeerUnreachable(device.name, reason)
    try:
        if not association.accepted_contexts:
            raise PeerUnreachable(device.name, "it accepts none of our services")
        yield association
    except (RuntimeError, ValueError) as error:  # it went away in between, or takes other syntaxes
        raise PeerUnreachable(device.name, str(error)) from error
    finally:
        if association.is_established:
            association.release()


def _context(device: Device, tls: PeerTls) -> PeerContext | None:
    if device.listens_at is None or not device.listens_at.tls:
        return None
    try:
        return tls.context(device)
    except TlsSettingsError as error:  # they were there at the start
        raise PeerUnreachable(device.name, str(error)) from error


def is_done(status: Any) -> bool:
    """Tell whether a peer's answer says that the work is done; an empty one is no answer."""
    return status.get("Status") in _DONE
