"""Read the published values."""

from importlib.resources import files
from pathlib import Path

from schemas.quality.model import DeviationBands, RejectTargets
from schemas.rule_files import read_rules


def load_deviation_bands(path: Path | None = None) -> DeviationBands:
    """Read the bands; without ``path`` the packaged ones. Raises InvalidInput if malformed."""
    return read_rules(DeviationBands, path or files(__package__) / "deviation_bands.yaml")


def load_reject_targets(path: Path | None = None) -> RejectTargets:
    """Read the targets; without ``path`` the packaged ones. Raises InvalidInput if malformed."""
    return read_rules(RejectTargets, path or files(__package__) / "reject_targets.yaml")
