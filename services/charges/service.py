"""The charges service: how it is put together."""

from collections.abc import Callable

from schemas.channels import CHARGES
from schemas.group import Group
from schemas.reconciliation import load_reconciliation_rules
from schemas.tariffs import load_tariffs
from services.charges.day_teller import DayTeller
from services.charges.worker import ChargesHandler, tariff_code
from services.runtime.service import Loop, Runtime, Service


def build(runtime: Runtime) -> Service:
    """Build the service from the group's tariffs and rules of reconciliation.

    Raises InvalidInput where a tariff's file is wrong or a site names one that is not there, so
    that the service does not start rather than charge a wrong price.
    """
    folder = runtime.settings.group_dir / "tariffs"
    tariffs = load_tariffs(folder if folder.is_dir() else None)

    def take_up(new: Group) -> Callable[[], None]:
        for site in new.sites:
            tariff_code(new, site.name, tariffs)
        return lambda: None

    take_up(runtime.group)
    runtime.group_watch.when_changed(take_up)
    rules = load_reconciliation_rules(runtime.settings.group_dir)
    handler = ChargesHandler(runtime.group, tariffs, rules)
    teller = DayTeller(
        runtime.store, runtime.group, rules, runtime.settings.records.read_back_s,
        runtime.relay.wake,
    )  # fmt: skip
    return Service(
        "charges", [runtime.worker(CHARGES, handler), Loop("reconciled-days", teller.run)]
    )
