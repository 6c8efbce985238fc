"""What a site's own node adds to ``gomphosis check``: whether the group can be reached."""

from collections.abc import Iterable

from schemas.group import Group
from services.forward.group_door import GroupDoor
from services.runtime.bus import BusUnavailable
from services.runtime.checks import Verdict
from services.runtime.settings import Settings


def check_forward(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Send an empty list with this node's token; nothing to say where this is no node."""
    del group
    if not settings.forward.url:
        return
    door = GroupDoor(settings.forward)
    try:
        yield Verdict("forward", True, door.reach())
    except BusUnavailable as error:
        yield Verdict("forward", False, str(error))
    finally:
        door.close()
