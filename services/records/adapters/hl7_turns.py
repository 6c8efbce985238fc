"""How often the record has refused a message, and which charges have left, kept on disk.

A message that is released again after a refusal must not go out under the control id that was
refused: a record that knows ids again would repeat its old answer unread.
"""

from enum import StrEnum
from pathlib import Path
from typing import Final

from services.records.adapters.durable_files import make_folder, only_writer, write_durably
from services.records.port import RecordUnavailable

_FOLDER: Final = "hl7-refused"
_SENT_FOLDER: Final = "hl7-sent"


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


class Sent(StrEnum):
    """How far a charge came that must not be sent twice."""

    SENT = "sent"
    TAKEN = "taken"


class SentOnce:
    """What has left for a record that would charge twice, a file for each message."""

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir / _SENT_FOLDER

    def of(self, control_id: str) -> Sent | None:
        """Tell how far a message came (RecordUnavailable if that cannot be read)."""
        try:
            return Sent((self._folder / control_id).read_text(encoding="ascii"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise RecordUnavailable(f"{self._folder / control_id}: {error}") from error

    def keep(self, control_id: str, sent: Sent) -> None:
        """Keep how far it came (RecordUnavailable)."""
        try:
            make_folder(self._folder)
            with only_writer(self._folder):
                write_durably(self._folder / control_id, sent.value.encode())
        except OSError as error:
            raise RecordUnavailable(f"{self._folder / control_id}: {error}") from error

    def not_taken(self, control_id: str) -> None:
        """Forget a message that the record has not taken (RecordUnavailable)."""
        try:
            (self._folder / control_id).unlink(missing_ok=True)
        except OSError as error:
            raise RecordUnavailable(f"{self._folder / control_id}: {error}") from error
