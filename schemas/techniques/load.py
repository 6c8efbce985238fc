"""Read a technique chart."""

from importlib.resources import files
from pathlib import Path

from schemas.rule_files import read_rules
from schemas.techniques.model import TechniqueChart


def load_technique_chart(path: Path | None = None) -> TechniqueChart:
    """Read a site's chart; without ``path`` the invented one, which shows the form.

    Raises ``InvalidInput`` where the file breaks the contract, naming field and expectation.
    """
    return read_rules(TechniqueChart, path or files(__package__) / "invented_chart.yaml")
