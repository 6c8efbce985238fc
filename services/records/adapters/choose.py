"""Which adapter a setting means: by entry point, so that others can add their own."""

import inspect
from collections.abc import Callable
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from services.records.port import DATA_DIR_OPTION, PatientRecord, RecordError
from services.runtime.settings import Settings

ENTRY_POINTS = "gomphosis.record_adapters"


def open_record(settings: Settings) -> PatientRecord:
    """Open the patient record that the settings name.

    Raises RecordError for an adapter that is unknown, is given twice, cannot be imported or is
    none, or RecordOptionError for a wrong option.
    """
    point = _point(settings.records.adapter)
    options = {DATA_DIR_OPTION: str(settings.data_dir), **settings.records.options}
    return _adapter(point)(options)


def known_adapters() -> list[str]:
    """Name the adapters that are installed."""
    return sorted({point.name for point in entry_points(group=ENTRY_POINTS)})


def _point(name: str) -> EntryPoint:
    found = list(entry_points(group=ENTRY_POINTS, name=name))
    if not found:
        raise RecordError(
            f"records.adapter: expected one of {', '.join(known_adapters())} (installed packages' "
            f"entry points in the group {ENTRY_POINTS}), got {name}"
        )
    if len({point.value for point in found}) > 1:
        given = ", ".join(sorted(f"{point.value} of {_package(point)}" for point in found))
        raise RecordError(
            f"records.adapter: expected one entry point {name} in the group {ENTRY_POINTS}, got "
            f"{given}; uninstall one of the packages"
        )
    return found[0]


def _adapter(point: EntryPoint) -> Callable[[dict[str, str]], PatientRecord]:
    others = ", ".join(name for name in known_adapters() if name != point.name)
    told = (
        f"records.adapter: {point.name} ({point.value} of {_package(point)}, entry point in the "
        f"group {ENTRY_POINTS}; the others are {others})"
    )
    try:
        adapter: Any = point.load()
    except Exception as error:  # whatever another's module does while it is imported
        raise RecordError(
            f"{told} cannot be imported: {type(error).__name__}: {error}; mend or reinstall it"
        ) from error
    if not (inspect.isclass(adapter) and issubclass(adapter, PatientRecord)):
        raise RecordError(f"{told}: expected a class that derives from PatientRecord")
    if missing := sorted(getattr(adapter, "__abstractmethods__", ())):
        raise RecordError(f"{told}: expected every verb of the port; it lacks {', '.join(missing)}")
    made: Callable[[dict[str, str]], PatientRecord] = adapter
    return made


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else "an unknown package"
