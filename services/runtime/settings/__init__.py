"""Every setting of every service: by environment, by file, with the reason when one is wrong.

Environment names are ``GOMPHOSIS_`` and the path with double underscores
(``GOMPHOSIS_BUS__URL``). A YAML file named by ``GOMPHOSIS_SETTINGS`` holds the same tree; the
environment outranks it. A default or bound that gives no reason is invented.
"""

from services.runtime.settings.console import ConsoleSettings, OidcSettings
from services.runtime.settings.every_service import (
    BusSettings,
    HealthSettings,
    LogSettings,
    StoreSettings,
)
from services.runtime.settings.forward import ForwardSettings
from services.runtime.settings.intake import (
    FhirSettings,
    IntakeSettings,
    MllpSettings,
    WatchedSettings,
)
from services.runtime.settings.loading import SettingsError, load_settings
from services.runtime.settings.records import RecordsSettings
from services.runtime.settings.retention import RetentionSettings
from services.runtime.settings.tree import Settings

__all__ = [
    "BusSettings",
    "ConsoleSettings",
    "FhirSettings",
    "ForwardSettings",
    "HealthSettings",
    "IntakeSettings",
    "LogSettings",
    "MllpSettings",
    "OidcSettings",
    "RecordsSettings",
    "RetentionSettings",
    "Settings",
    "SettingsError",
    "StoreSettings",
    "WatchedSettings",
    "load_settings",
]
