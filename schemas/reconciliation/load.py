"""Read the group's rules of reconciliation."""

from importlib.resources import files
from pathlib import Path

from schemas.reconciliation.model import ReconciliationRules
from schemas.rule_files import read_rules


def load_reconciliation_rules(group_dir: Path | None = None) -> ReconciliationRules:
    """Read ``reconciliation.yaml`` of the group's folder, or the packaged rules without one.

    Raises InvalidInput naming what is wrong in the file.
    """
    own = group_dir / "reconciliation.yaml" if group_dir is not None else None
    packaged = files(__package__) / "group_default.yaml"
    return read_rules(ReconciliationRules, own if own is not None and own.is_file() else packaged)
