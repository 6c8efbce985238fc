"""Which adapter a setting means: by entry point, so that others can add their own."""

from importlib.metadata import entry_points

from services.records.port import DATA_DIR_OPTION, PatientRecord, RecordError
from services.runtime.settings import Settings

ENTRY_POINTS = "gomphosis.record_adapters"


def open_record(settings: Settings) -> PatientRecord:
    """Open the patient record that the settings name.

    Raises RecordError for an unknown adapter, or RecordOptionError for a wrong option.
    """
    points = entry_points(group=ENTRY_POINTS)
    for point in points:
        if point.name == settings.records.adapter:
            options = {DATA_DIR_OPTION: str(settings.data_dir), **settings.records.options}
            record: PatientRecord = point.load()(options)
            return record
    known = ", ".join(sorted(point.name for point in points))
    raise RecordError(f"records.adapter: expected one of {known}, got {settings.records.adapter}")
