"""A site's own node and its group, invented: what both are set up with in tests."""

from __future__ import annotations

import copy
import hashlib
from typing import Any

from tests.intake_support import GROUP

NODE_TOKEN = "invented-token-node"


def group_with_node() -> dict[str, Any]:
    """Give the invented group with a node at its northern site."""
    group = copy.deepcopy(GROUP)
    digest = hashlib.sha256(NODE_TOKEN.encode()).hexdigest()
    node = {"name": "node-1", "kind": "node", "token_sha256": digest}
    group["sites"][0]["devices"].append(node)
    return group
