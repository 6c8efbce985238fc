"""The suite lives in ``services.records.suite`` now; until all import it there, also here."""

from services.records.suite import HOSTILE, RecordCases, accepted

__all__ = ["HOSTILE", "RecordCases", "accepted"]
