"""The contract suite of the port to a patient record, for our adapters and for anybody's.

An adapter's test class derives from ``RecordCases`` and gives the fixture ``open_record``; what
else it may give stands in ``given``. The suite needs pytest, and nothing else in the services does:
``pip install "gomphosis[adapters]"``.
"""

try:
    import pytest
except ModuleNotFoundError as error:
    raise ModuleNotFoundError(
        'the suite for record adapters needs pytest: pip install "gomphosis[adapters]"'
    ) from error

_PARTS = ("charge", "durability", "identifier", "line", "note", "trouble")
# A failed comparison then shows both sides, outside a test module too.
pytest.register_assert_rewrite(
    "services.records.suite.given", *(f"services.records.suite.{part}_cases" for part in _PARTS)
)

from services.records.suite.cases import RecordCases  # noqa: E402 - the line above comes first
from services.records.suite.given import accepted  # noqa: E402
from services.records.suite.identifier_cases import HOSTILE  # noqa: E402

__all__ = ["HOSTILE", "RecordCases", "accepted"]
