"""The forward service put together: a worker that lines facts up, and a relay for each line."""

from schemas.channels import FORWARD
from services.forward.group_archive import GroupArchive
from services.forward.group_door import GroupDoor
from services.forward.worker import FACTS_LINE, IMAGES_LINE, line_up
from services.runtime.outbox import Relay
from services.runtime.service import Loop, Runtime, Service, ServiceError


def build(runtime: Runtime) -> Service:
    """Build the service. Raises ServiceError where this machine is no site's node."""
    settings = runtime.settings.forward
    if not settings.url:
        raise ServiceError("service forward: expected GOMPHOSIS_FORWARD__URL, the group's intake")
    door = GroupDoor(settings)
    facts = Relay(FACTS_LINE, runtime.store, door)
    loops = [runtime.worker(FORWARD, line_up), Loop("facts", facts.run)]
    if settings.dicom_host:
        archive = GroupArchive(runtime.settings, runtime.group, runtime.store)
        images = Relay(IMAGES_LINE, runtime.store, archive, page=1)
        loops.append(Loop("images", images.run))
    return Service(runtime.service, loops, door.close)
