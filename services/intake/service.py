"""Intake put together: the bus, the DICOM node and the HTTP door, and one way in behind them."""

from collections.abc import Callable
from functools import partial

from schemas.channels import INTAKE
from schemas.group import Group
from schemas.plans import load_plans
from services.intake.availability import Availability
from services.intake.commitments import Commitments
from services.intake.dicom_commitment import CommitmentProvider
from services.intake.dicom_find import WorklistFinder
from services.intake.dicom_node import DicomNode, Listeners, open_listeners
from services.intake.dicom_outgoing_tls import peer_tls
from services.intake.dicom_places import Places
from services.intake.dicom_processes import ListenerProcesses, shared_slots
from services.intake.forwarded import ForwardedDesk
from services.intake.http_app import build_app
from services.intake.http_forwarded import add_forwarded_door
from services.intake.http_offers import OfferDesk
from services.intake.image_files import ImageFolder
from services.intake.image_intake import ImageIntake
from services.intake.peer_loop import PeerLoop
from services.intake.record_doors import open_record_doors
from services.intake.step_desk import StepDesk
from services.intake.watch import watch_loop
from services.intake.worker import offered_facts
from services.runtime.http_server import HttpDoor
from services.runtime.service import Loop, Runtime, Service
from services.runtime.settings import Settings


def build(runtime: Runtime) -> Service:
    """Build the service; both ports are bound here (PortTaken names the setting)."""
    settings = runtime.settings
    folder = open_image_folder(settings)
    folder.remove_leftovers()
    own_plans = settings.group_dir / "plans"
    plans = load_plans(own_plans if own_plans.is_dir() else None)
    desk = OfferDesk(
        runtime.service,
        runtime.group,
        runtime.store,
        runtime.relay,
        settings.intake.max_facts_in_body,
        runtime.audit,
    )
    app = build_app(runtime.group, desk, settings.intake.max_body_bytes, runtime.audit)
    forwarded = ForwardedDesk(runtime.service, runtime.group, runtime.store, runtime.relay)
    add_forwarded_door(app, runtime.group, forwarded, runtime.audit)
    watched = watch_loop(runtime)
    tls = peer_tls(settings.intake, runtime.group)
    runtime.group_watch.when_changed(partial(_take_up, settings))
    commitments = Commitments(runtime.store, runtime.group, folder.root, tls)
    availability = Availability(
        runtime.store, runtime.group, folder.root, settings.intake.retrieve_ae_title, tls
    )
    peers = PeerLoop(runtime.store, [commitments.deliver_due, availability.deliver_due])
    listeners = open_listeners(settings.intake)
    slots = shared_slots(settings.intake.dicom_processes)
    processes = ListenerProcesses(runtime.service, settings, listeners, slots, make_node)
    try:
        node = make_node(runtime, listeners, Places(settings.intake.max_associations, slots))
    except Exception:
        listeners.close()
        raise
    try:
        records = open_record_doors(runtime, plans, app)
    except Exception:
        node.close()
        raise
    try:
        door = HttpDoor(
            app,
            settings.intake.http_host,
            settings.intake.http_port,
            "GOMPHOSIS_INTAKE__HTTP_PORT",
            settings.intake.idle_timeout_s,
        )
    except Exception:
        node.close()
        records.close()
        raise

    def close() -> None:
        node.close()
        door.close()
        records.close()
        runtime.audit.finish()

    return Service(
        runtime.service,
        [
            runtime.worker(INTAKE, offered_facts(runtime.group, runtime.service)),
            Loop("dicom", node.run, node.ready),
            Loop("dicom-processes", processes.run, processes.ready),
            Loop("http", door.run, door.ready),
            *records.loops,
            Loop("peers", peers.run),
            Loop("audit", runtime.audit.run),
            *([watched] if watched else []),
        ],
        close,
    )


def _take_up(settings: Settings, new: Group) -> Callable[[], None]:
    """Refuse a new group with a device that could not be called by TLS."""
    peer_tls(settings.intake, new)
    return lambda: None


def make_node(runtime: Runtime, listeners: Listeners, places: Places) -> DicomNode:
    """Put one process's DICOM node together."""
    settings = runtime.settings
    folder = open_image_folder(settings)
    own_plans = settings.group_dir / "plans"
    plans = load_plans(own_plans if own_plans.is_dir() else None)
    images = ImageIntake(
        runtime.service,
        runtime.group.name,
        runtime.store,
        runtime.relay,
        folder,
        pixel_statistics=settings.intake.pixel_statistics,
    )
    tls = peer_tls(settings.intake, runtime.group)
    steps = StepDesk(
        runtime.service,
        runtime.group.name,
        runtime.store,
        runtime.relay,
        closes_study=settings.intake.close_on_completed_step,
    )
    return DicomNode(
        settings.intake,
        runtime.group,
        images,
        WorklistFinder(runtime.store, plans),
        steps,
        CommitmentProvider(Commitments(runtime.store, runtime.group, folder.root, tls)),
        listeners,
        places,
        runtime.audit,
    )


def open_image_folder(settings: Settings) -> ImageFolder:
    """Open the image folder of the settings, making it where it is missing."""
    settings.images_dir.mkdir(parents=True, exist_ok=True)
    return ImageFolder(
        settings.images_dir, settings.intake.min_free_bytes, settings.intake.max_image_bytes
    )
