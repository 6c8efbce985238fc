"""What of the runtime's own tables may go: input that a person settled long ago.

The inbox forgets after 30 days by itself, and an outbox row goes once it is confirmed.
"""

from typing import Final

from services.runtime.operations.retention import Old
from services.runtime.tables import TRIAGE
from services.runtime.triage import TriageState

OLD: Final = (
    Old(
        "triage",
        TRIAGE,
        lambda before: (TRIAGE.c.state != TriageState.OPEN.value) & (TRIAGE.c.settled_at < before),
    ),
)
