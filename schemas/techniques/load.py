"""Read a technique chart."""

from importlib.resources import files
from pathlib import Path

from schemas.group import Site
from schemas.rule_files import read_rules
from schemas.techniques.model import TechniqueChart

_PACKAGED = "invented_chart"


def load_technique_chart(path: Path | None = None) -> TechniqueChart:
    """Read a site's chart; without ``path`` the invented one, which shows the form.

    Raises ``InvalidInput`` where the file breaks the contract, naming field and expectation.
    """
    return read_rules(TechniqueChart, path or files(__package__) / "invented_chart.yaml")


def load_site_chart(site: Site, group_dir: Path) -> TechniqueChart | None:
    """Read the chart that a site names, ``techniques/<name>.yaml`` of the group's folder; None
    where it names none. Raises ``InvalidInput``."""
    if site.techniques is None:
        return None
    own = group_dir / "techniques" / f"{site.techniques}.yaml"
    packaged = site.techniques == _PACKAGED and not own.is_file()
    return load_technique_chart(None if packaged else own)
