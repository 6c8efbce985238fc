"""What is measured of the machine itself: its disk, and how old the last backup is."""

import shutil
from pathlib import Path

import structlog

from services.runtime.metrics import DISK_FREE, LAST_BACKUP
from services.runtime.operations.backup import LAST_BACKUP as MARK

log = structlog.get_logger(__name__)


def measure_machine(data_dir: Path) -> None:
    """Set both gauges. A folder that is away is told, and measured again the next time."""
    try:
        DISK_FREE.set(shutil.disk_usage(data_dir).free)
    except OSError as error:
        log.warning("disk_not_measured", folder=str(data_dir), reason=str(error))
    mark = data_dir / MARK
    LAST_BACKUP.set(mark.stat().st_mtime if mark.exists() else 0)
