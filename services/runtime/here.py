"""Who hears what on this machine: the whole topology, or that of a site's own node."""

from schemas.channels import NODE_SUBSCRIPTIONS, SUBSCRIPTIONS, Subscription
from services.runtime.settings import Settings


def subscriptions_here(settings: Settings) -> tuple[Subscription, ...]:
    """Give every queue of this machine's bus; what nobody here hears would pile up."""
    return NODE_SUBSCRIPTIONS if settings.forward.url else SUBSCRIPTIONS
