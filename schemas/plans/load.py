"""Plans read from YAML: the packaged ones, and a site's own in a folder."""

from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from schemas.plans.check import check_choice, check_plan
from schemas.plans.derived import DerivedPlans, derive_plans
from schemas.plans.errors import PlanError
from schemas.plans.model import Plan
from schemas.rule_files import read_rules


def load_plans(extra_dir: Path | None = None) -> dict[str, Plan]:
    """Every plan by its code: the packaged ones, then those of ``extra_dir``.

    Plans are ``*.yaml``; parts of other plans and single-tooth plans stand in ``derived/*.yaml``.
    A site's plan replaces the packaged plan of the same code.

    Raises
    ------
    InvalidInput
        If a file cannot be read or has not the form of a plan.
    PlanError
        If the folder is missing, a plan makes no sense, two files of one folder give the same
        code, or two full-mouth plans would fit the same animal.
    """
    plans = dict(_packaged())
    if extra_dir is not None:
        plans |= _read_folder(extra_dir)
        plans |= _read_derived(sorted((extra_dir / "derived").glob("*.yaml")), plans)
    check_choice(plans.values())
    return plans


def read_plan(source: Path | Traversable) -> Plan:
    """Read one plan and check it (``InvalidInput`` for its form, ``PlanError`` for its sense)."""
    plan = read_rules(Plan, source)
    check_plan(plan)
    return plan


@cache
def _packaged() -> dict[str, Plan]:
    folder = files(__package__)
    plans = _read_all(entry for entry in folder.iterdir() if entry.name.endswith(".yaml"))
    derived = (folder / "derived").iterdir()
    plans |= _read_derived((entry for entry in derived if entry.name.endswith(".yaml")), plans)
    return dict(sorted(plans.items()))


def _read_folder(folder: Path) -> dict[str, Plan]:
    if not folder.is_dir():
        raise PlanError(
            folder.name,
            "extra_dir",
            str(folder),
            "a folder of YAML files that can be read",
            "Make the folder or correct the setting.",
        )
    return _read_all(sorted(folder.glob("*.yaml")))


def _read_derived(sources: Iterable[Path | Traversable], of: Mapping[str, Plan]) -> dict[str, Plan]:
    plans: dict[str, Plan] = {}
    for source in sources:
        for plan in derive_plans(read_rules(DerivedPlans, source), of):
            check_plan(plan)
            _add(plan, source, plans)
    return plans


def _read_all(sources: Iterable[Path | Traversable]) -> dict[str, Plan]:
    plans: dict[str, Plan] = {}
    for source in sources:
        _add(read_plan(source), source, plans)
    return dict(sorted(plans.items()))


def _add(plan: Plan, source: Path | Traversable, plans: dict[str, Plan]) -> None:
    if plan.code in plans:
        raise PlanError(
            source.name,
            "code",
            plan.code,
            "a code that no other file of the folder has",
            "Give one of the two plans another code, or remove its file.",
        )
    plans[plan.code] = plan
