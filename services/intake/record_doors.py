"""The doors for patient records put together: MLLP, the FHIR poller and its subscription door."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from fastapi import FastAPI

from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind, Group, Site
from schemas.mappings.record_codes import RecordCodes, check_record_codes, load_record_codes
from services.intake.fhir_client import FhirClient
from services.intake.fhir_desk import FhirDesk
from services.intake.fhir_hook import FhirHook, add_fhir_hook
from services.intake.fhir_poller import FhirPoller
from services.intake.hl7_desk import Hl7Desk
from services.intake.mllp_server import MllpServer
from services.runtime.service import Loop, Runtime
from services.runtime.settings import FhirSettings, SettingsError


@dataclass(slots=True)
class RecordDoors:
    """The loops of these doors, and how they are closed."""

    loops: list[Loop] = field(default_factory=list)
    closers: list[Callable[[], None]] = field(default_factory=list)

    def close(self) -> None:
        for close in self.closers:
            close()


def open_record_doors(runtime: Runtime, plans: Iterable[str], app: FastAPI) -> RecordDoors:
    """Open what the settings ask for, and add the subscription door to the HTTP application.

    Raises InvalidInput for a wrong ``record_codes.yaml``, SettingsError or PortTaken.
    """
    settings = runtime.settings
    codes = load_record_codes(settings.group_dir)
    own = (settings.group_dir / "record_codes.yaml").is_file()
    if own or settings.intake.mllp.enabled or settings.intake.fhir.base_url:
        check_record_codes(codes, runtime.group, plans)
    doors = RecordDoors()
    _open_fhir(runtime, codes, app, doors)
    try:
        _open_mllp(runtime, codes, doors)
    except Exception:
        doors.close()
        raise
    return doors


def _open_mllp(runtime: Runtime, codes: RecordCodes, doors: RecordDoors) -> None:
    settings = runtime.settings.intake.mllp
    if not settings.enabled:
        return
    if not codes.senders:
        raise InvalidInput("record_codes.yaml: senders", (), "who may send over MLLP")
    desk = Hl7Desk(
        runtime.service,
        runtime.group,
        runtime.store,
        runtime.relay,
        codes,
        runtime.audit,
        settings.character_set_when_none,
    )
    server = MllpServer(settings, desk, runtime.audit)
    doors.loops.append(Loop("mllp", server.run, server.ready))
    doors.closers.append(server.close)


def _open_fhir(runtime: Runtime, codes: RecordCodes, app: FastAPI, doors: RecordDoors) -> None:
    settings = runtime.settings.intake
    desk = FhirDesk(runtime.service, runtime.group, runtime.store, runtime.relay, codes)
    client: FhirClient | None = None
    poller: FhirPoller | None = None
    if settings.fhir.base_url:
        site, device = record_of(settings.fhir, runtime.group)
        client = FhirClient(settings.fhir)
        poller = FhirPoller(settings.fhir, client, desk, runtime.store, codes, site, device)
        doors.loops.append(Loop("fhir", poller.run, poller.ready))
        doors.closers.append(client.close)
    hook = FhirHook(desk, codes, settings.max_facts_in_body, client, poller)
    add_fhir_hook(app, runtime.group, hook, settings.max_body_bytes, runtime.audit)


def record_of(settings: FhirSettings, group: Group) -> tuple[Site, Device]:
    """Find the record that the settings name in the group. Raises SettingsError."""
    if not settings.base_url.startswith(("https://", "http://")):
        raise SettingsError("setting GOMPHOSIS_INTAKE__FHIR__BASE_URL: expected an https address")
    known: Sequence[tuple[Site, Device]] = [
        (site, device)
        for site in group.sites
        for device in site.devices
        if device.kind is DeviceKind.RECORD
    ]
    for site, device in known:
        if (site.name, device.name) == (settings.site, settings.device):
            return site, device
    names = ", ".join(f"{site.name}/{device.name}" for site, device in known) or "none yet"
    raise SettingsError(
        "settings GOMPHOSIS_INTAKE__FHIR__SITE and __DEVICE: expected a device of kind record in "
        f"group.yaml ({names}), got {settings.site}/{settings.device}"
    )
