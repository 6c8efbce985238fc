"""The whole tree, and where it is read from."""

import os
from pathlib import Path

from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    YamlConfigSettingsSource,
)

from services.runtime.settings.console import ConsoleSettings
from services.runtime.settings.every_service import (
    BusSettings,
    HealthSettings,
    LogSettings,
    StoreSettings,
)
from services.runtime.settings.forward import ForwardSettings
from services.runtime.settings.intake import IntakeSettings
from services.runtime.settings.records import RecordsSettings
from services.runtime.settings.retention import RetentionSettings

PREFIX = "GOMPHOSIS_"
FILE_VARIABLE = "GOMPHOSIS_SETTINGS"


class Settings(BaseSettings):
    """The whole tree. ``group_dir`` is the folder of the group's own rules (``group.yaml``)."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )

    data_dir: Path = Path("gomphosis-data")
    group_dir: Path = Path("group")
    store: StoreSettings = StoreSettings()
    bus: BusSettings = BusSettings()
    health: HealthSettings = HealthSettings()
    log: LogSettings = LogSettings()
    intake: IntakeSettings = IntakeSettings()
    records: RecordsSettings = RecordsSettings()
    console: ConsoleSettings = ConsoleSettings()
    retention: RetentionSettings = RetentionSettings()
    forward: ForwardSettings = ForwardSettings()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        del dotenv_settings, file_secret_settings
        sources: list[PydanticBaseSettingsSource] = [init_settings, env_settings]
        file = os.environ.get(FILE_VARIABLE)
        if file:
            sources.append(YamlConfigSettingsSource(settings_cls, yaml_file=Path(file)))
        return tuple(sources)

    @property
    def store_url(self) -> str:
        """The store's URL, or SQLite in the data folder."""
        chosen = self.store.url.get_secret_value()
        return chosen or f"sqlite:///{self.data_dir.absolute()}/gomphosis.sqlite"

    @property
    def bus_url(self) -> str:
        """The broker's URL, or ``embedded:`` and the path of a file in the data folder."""
        chosen = self.bus.url.get_secret_value()
        return chosen or f"embedded:{self.data_dir.absolute()}/bus.sqlite"

    @property
    def images_dir(self) -> Path:
        return self.data_dir / "images"
