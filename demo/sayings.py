"""What a run says while it goes, each sentence with the seconds since the run began."""

import time

from rich.console import Console


class Sayings:
    """Prints to the terminal; ``console`` is for what is said without a time."""

    def __init__(self) -> None:
        self.console = Console(soft_wrap=True, highlight=False)
        self._began = time.monotonic()

    def took_s(self) -> float:
        """Give the seconds since the run began."""
        return time.monotonic() - self._began

    def say(self, words: str) -> None:
        self.console.print(f"{self.took_s():5.1f} s  {words}", markup=False)
