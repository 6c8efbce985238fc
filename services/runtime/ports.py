"""A port that cannot be had, told by the setting that chose it."""

from schemas.errors import GomphosisError


class PortTaken(GomphosisError):  # noqa: N818
    """A port cannot be listened on; names the setting that chose it."""

    def __init__(self, setting: str, host: str, port: int, reason: str) -> None:
        self.setting = setting
        self.host = host
        self.port = port
        super().__init__(
            f"setting {setting}: expected a free port on an address of this machine, cannot listen "
            f"on {host}:{port} ({reason}); stop what holds it or choose another"
        )
