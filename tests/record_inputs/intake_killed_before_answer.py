"""Intake as a process that dies by kill -9 between its commit and its first MLLP answer."""

from __future__ import annotations

import os
import signal
import sys

from services.intake.hl7_desk import Answered
from services.intake.mllp_server import MllpServer
from services.runtime.cli.main import main


def die(*_: Answered) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    MllpServer._reply = staticmethod(die)  # type: ignore[assignment]
    sys.argv = ["gomphosis", "start", "intake"]
    main()
