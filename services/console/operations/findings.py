"""What is wrong, the worst first, each with what to do next. Pure."""

from services.console.operations.finding import Facts, Finding
from services.console.operations.service_findings import of_services
from services.console.operations.state_findings import of_surroundings


def findings(facts: Facts) -> list[Finding]:
    """Judge all; the worst first, in the order of cause before effect."""
    look = facts.seen.now
    if look is None:
        return []
    found = [*of_services(facts, look), *of_surroundings(facts, look)]
    return sorted(found, key=lambda one: one.weight)
