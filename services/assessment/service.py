"""The assessment service: how it is put together."""

from collections.abc import Callable

from schemas.channels import ASSESSMENT
from schemas.group import Group
from services.assessment.rules import load_rules
from services.assessment.worker import AssessmentHandler
from services.runtime.service import Runtime, Service


def build(runtime: Runtime) -> Service:
    """Build the service from the group's plans and limits.

    Raises InvalidInput or PlanError where a rule is wrong, so that the service does not start.
    """
    rules = {
        site.name: load_rules(site, runtime.settings.group_dir) for site in runtime.group.sites
    }

    def take_up(new: Group) -> Callable[[], None]:
        # A site that is new gets its rules; those of the others stay until a restart, for what
        # was concluded is remembered under them.
        added = [site for site in new.sites if site.name not in rules]
        own = {site.name: load_rules(site, runtime.settings.group_dir) for site in added}
        return lambda: rules.update(own)

    runtime.group_watch.when_changed(take_up)
    handler = AssessmentHandler(runtime.group, rules)
    return Service("assessment", [runtime.worker(ASSESSMENT, handler)])
