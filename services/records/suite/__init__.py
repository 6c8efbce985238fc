"""The contract suite of the port to a patient record, for our adapters and for anybody's.

It needs pytest, and nothing else here does: ``pip install "gomphosis[adapters]"``.
"""

import pytest

# A failed comparison then shows both sides, outside a test module too.
pytest.register_assert_rewrite("services.records.suite.cases")
