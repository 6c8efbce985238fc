"""What the group has set for a site, as assessment needs it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from schemas.group import Site
from schemas.limits import (
    DoseLimits,
    PublishedReferenceLevels,
    load_dose_limits,
    load_published_reference_levels,
)
from schemas.outputs import SpectrumModel, load_spectrum_model
from schemas.plans import Plan, load_plans
from schemas.quality import DeviationBands, load_deviation_bands
from schemas.techniques import TechniqueChart, load_site_chart

PACKAGED_LIMITS = "group_default"


@dataclass(frozen=True, slots=True)
class Rules:
    """Plans by code, dose limits, the output model, and the published levels to compare with.

    Without a chart no setting is compared with anything; the default size rule holds all the same.
    """

    plans: Mapping[str, Plan]
    limits: DoseLimits | None
    model: SpectrumModel | None
    references: PublishedReferenceLevels | None
    chart: TechniqueChart | None = None
    bands: DeviationBands | None = None


def load_rules(site: Site, group_dir: Path) -> Rules:
    """Read a site's rules: ``plans/*.yaml``, ``limits/<name>.yaml`` and ``techniques/<name>.yaml``
    of the group's folder.

    A folder of plans may be absent; the packaged plans and limits then hold. Raises InvalidInput
    or PlanError, naming the file and what is wrong in it.
    """
    plans_dir = group_dir / "plans"
    limits_file = group_dir / "limits" / f"{site.limits}.yaml"
    own_limits = site.limits != PACKAGED_LIMITS or limits_file.is_file()
    return Rules(
        plans=load_plans(plans_dir if plans_dir.is_dir() else None),
        limits=load_dose_limits(limits_file if own_limits else None),
        model=load_spectrum_model(),
        references=load_published_reference_levels(),
        chart=load_site_chart(site, group_dir),
        bands=load_deviation_bands(),
    )
