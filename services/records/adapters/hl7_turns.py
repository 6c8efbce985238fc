"""How often the record has refused a message, kept on disk.

A message that is released again after a refusal must not go out under the control id that was
refused: a record that knows ids again would repeat its old answer unread.
"""

from pathlib import Path
from typing import Final

from services.records.adapters.durable_files import make_folder, only_writer, write_durably
from services.records.port import RecordUnavailable

_FOLDER: Final = "hl7-refused"


class Turns:
    """A file for each refused message, below the service's data folder."""

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir / _FOLDER

    def of(self, control_id: str) -> int:
        """Tell how often this content was refused (RecordUnavailable if that cannot be read)."""
        try:
            return int((self._folder / control_id).read_text(encoding="ascii"))
        except FileNotFoundError:
            return 0
        except (OSError, ValueError) as error:
            raise RecordUnavailable(f"{self._folder / control_id}: {error}") from error

    def refused(self, control_id: str, turn: int) -> None:
        """Keep that the message of this turn was refused (RecordUnavailable)."""
        try:
            make_folder(self._folder)
            with only_writer(self._folder):
                write_durably(self._folder / control_id, str(turn + 1).encode())
        except OSError as error:
            raise RecordUnavailable(f"{self._folder / control_id}: {error}") from error
