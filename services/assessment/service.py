"""The assessment service: how it is put together."""

from schemas.channels import ASSESSMENT
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
    handler = AssessmentHandler(runtime.group, rules)
    return Service("assessment", [runtime.worker(ASSESSMENT, handler)])
