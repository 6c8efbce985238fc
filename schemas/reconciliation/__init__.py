"""How the group reconciles what was imaged with what the record holds, as data."""

from schemas.reconciliation.load import load_reconciliation_rules
from schemas.reconciliation.model import ReconciliationRules

__all__ = ["ReconciliationRules", "load_reconciliation_rules"]
